"""A hydrocyclone's split taken apart: what the reject passes, what holds it back, what the inlet takes.

Reject flow goes as Cr √(Pin − Prej) and the drop as Pin − Pout = K Q² (orifice and swirl losses; the square is the
usual reading of 2 to 2.3, common practice, no source). With the reference Cr, K and Prej of the cyclone itself,

    ln(F / F expected) = passage + push      passage = ln(Cr/Cr0), push = ½ ln((Pin − Prej)/(Pin − Prej0))
    ln(PDR / PDR expected) = 2 push − inlet   inlet = ln(K/K0)

at the inlet pressure and flow of the moment, so that a flow step leaves all three at zero. Both laws, and the pressures
as they were, say what each should read: what one instrument's error alone explains is no change of the cyclone.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite, log, sqrt
from statistics import median
from typing import Final

from pydantic import BaseModel, ConfigDict

ROBUST = 1.4826  # MAD to standard deviation of normal noise: 1/Φ⁻¹(0.75)


class Frozen(BaseModel):
    """A part of a state: plain numbers that never change in place."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Readings(Frozen):
    """Figures of one bin, None where unknown: flows m³/h, gauge pressures kPa, oil mg/L."""

    minute: int
    inlet: float | None = None
    reject: float | None = None
    pin: float | None = None
    pout: float | None = None
    prej: float | None = None
    oil: float | None = None
    partner: float | None = None  # what else tells the feed flow: a pump's revolutions, or another meter
    pump: float | None = None  # the pump's own discharge pressure

    @property
    def ratio(self) -> float | None:
        """Reject over feed flow."""
        return self.reject / self.inlet if self.reject is not None and self.inlet else None

    @property
    def pdr(self) -> float | None:
        """Pressure drop ratio."""
        if self.pin is None or self.pout is None or self.prej is None or self.pin <= self.pout:
            return None
        return (self.pin - self.prej) / (self.pin - self.pout)

    @property
    def conductance(self) -> float | None:
        """Cr = Qreject / √(Pin − Prej)."""
        if self.reject is None or self.reject <= 0 or self.pin is None or self.prej is None or self.pin <= self.prej:
            return None
        return self.reject / sqrt(self.pin - self.prej)

    @property
    def resistance(self) -> float | None:
        """K = (Pin − Pout) / Q²."""
        if not self.inlet or self.pin is None or self.pout is None or self.pin <= self.pout:
            return None
        return float((self.pin - self.pout) / self.inlet**2)


class Reference(Frozen):
    """What the cyclone was while it was learnt: medians, and the scatter of each logarithm between bins."""

    ratio: float | None
    conductance: float | None
    resistance: float | None
    inlet: float | None
    pin: float | None
    pout: float | None
    prej: float | None
    pdr: float | None
    oil: float | None
    partner: float | None
    pump: float | None
    noise: float


class Zero(Frozen):
    """A pressure that is wrong by ``error`` kPa: ``pin``, ``pout`` or ``prej``."""

    of: str
    error: float


class Parts(Frozen):
    """The three parts of a change, as logarithms; None where a reading lacks. ``split`` and ``drop_ratio`` are
    the changes of F and PDR against what is expected at this flow and inlet pressure.
    """

    passage: float | None
    push: float | None
    inlet: float | None
    split: float | None
    drop_ratio: float | None


NEAR_FLOW = 0.15  # without pressures F is compared only at about the flow that it was learnt at
LEAST: Final = 0.03  # of the learnt inlet pressure, below which an error of a pressure changes nothing that is judged
ALIKE: Final = 0.3  # of the error, within which the ways to reckon it must agree


def learn(bins: Sequence[Readings]) -> Reference:
    """The reference of bins taken in quiet service."""
    mid = {name: _median([getattr(b, name) for b in bins]) for name in Reference.model_fields if name != "noise"}
    logs = [log(value) for b in bins if (value := b.conductance or b.ratio or b.pdr) and value > 0]
    centre = median(logs) if logs else 0.0
    noise = ROBUST * median(abs(x - centre) for x in logs) if logs else 0.0
    return Reference(**mid, noise=noise)


def parts(now: Readings, base: Reference) -> Parts:
    """The change of ``now`` against the reference, but for what one pressure's own error explains."""
    if (zero := zero_of(now, base)) is not None:
        now = now.model_copy(update={zero.of: getattr(now, zero.of) - zero.error})
    passage = _log_ratio(now.conductance, base.conductance)
    push = None
    if now.pin is not None and now.prej is not None and base.prej is not None and now.pin > max(now.prej, base.prej):
        push = 0.5 * log((now.pin - now.prej) / (now.pin - base.prej))
    inlet = _inlet(now, base)
    if passage is not None and push is not None:
        split: float | None = passage + push
    else:
        at_flow = _log_ratio(now.inlet, base.inlet)
        split = _log_ratio(now.ratio, base.ratio) if at_flow is not None and abs(at_flow) < NEAR_FLOW else None
    # What holds the reject back shows in its flow as well; a reject pressure that moves alone is its transmitter.
    shown = push if push is not None and (passage is None or passage * push > -0.5 * push * push) else 0.0
    drop_ratio = 2 * shown - inlet if push is not None and inlet is not None else None
    return Parts(passage=passage, push=push, inlet=inlet, split=split, drop_ratio=drop_ratio)


def zero_of(now: Readings, base: Reference) -> Zero | None:
    """The one pressure whose error alone puts both laws right again; None where none does, or there is nothing to put.

    An inlet pressure off by e is off by e in the drop and in what drives the reject, and from the pump's. Without the
    pump's, only one that reads too much is told: worn liners lose less and pass more, as one that reads too little
    would. Outlet and reject pressure must be off by as much from what they were: then the inlet pressure or the reject
    flow says that nothing moved.
    """
    pin, pout, prej, flow, reject = now.pin, now.pout, now.prej, now.inlet, now.reject
    if pin is None or pout is None or prej is None or flow is None or reject is None or base.pin is None:
        return None
    if base.resistance is None or base.conductance is None or base.pout is None or base.prej is None:
        return None
    drop, drive = base.resistance * flow**2, (reject / base.conductance) ** 2
    swirl, push = pin - pout - drop, pin - prej - drive
    found = {
        "pin": (0.5 * (swirl + push), 0.5 * (swirl - push)),
        "pout": (pout - base.pout, max(abs(push), abs(pin - base.pout - drop))),
        "prej": (prej - base.prej, max(abs(swirl), abs(pin - base.prej - drive))),
    }
    if base.pump is None or now.pump is None:
        if swirl + push < 0:
            del found["pin"]
    else:
        apart = pin - now.pump - (base.pin - base.pump)
        found["pin"] = (found["pin"][0], max(abs(found["pin"][1]), abs(found["pin"][0] - apart)))
    fits = {of: error for of, (error, rest) in found.items() if abs(rest) < ALIKE * abs(error)}
    if not fits:
        return None
    of = max(fits, key=lambda name: abs(fits[name]))
    return Zero(of=of, error=fits[of]) if abs(fits[of]) >= LEAST * base.pin else None


def middle(history: Sequence[Parts]) -> Parts:
    """Medians of each part over some bins."""
    return Parts(**{name: _median([getattr(p, name) for p in history]) for name in Parts.model_fields})


def cause_of(change: Parts, limit: float) -> str | None:
    """Which part explains the change; None when none does alone.

    A plugged reject passes less at the same pressures (PDR unchanged); back-pressure pushes less through the same
    passage (F and PDR fall together); a plugged inlet takes more pressure at equal flow, a worn liner less.
    """
    passage, push, inlet = (value or 0.0 for value in (change.passage, change.push, change.inlet))
    if push <= -limit / 2 and abs(push) >= abs(passage):
        return "reject-back-pressure"
    if passage <= -0.7 * limit:
        return "reject-plugging"
    if inlet >= limit:
        return "inlet-plugging"
    if inlet <= -limit:
        return "liner-wear"
    return None


def _inlet(now: Readings, base: Reference) -> float | None:
    """ln(K/K0), as far as the inlet pressure shows it too, and what else tells the flow: an outlet pressure or a feed
    meter that moves alone is the instrument."""
    found = [own := _log_ratio(now.resistance, base.resistance)]
    if own is None:
        return None
    if base.pout is not None:
        found.append(_log_ratio(now.model_copy(update={"pout": base.pout}).resistance, base.resistance))
    if now.partner and base.partner and base.inlet:
        flow = base.inlet * now.partner / base.partner
        found.append(_log_ratio(now.model_copy(update={"inlet": flow}).resistance, base.resistance))
    shown = [value for value in found if value is not None]
    return min(shown, key=abs) if all(value * own > 0 for value in shown) else 0.0


def _log_ratio(now: float | None, base: float | None) -> float | None:
    return log(now / base) if now is not None and base is not None and now > 0 and base > 0 else None


def _median(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None and isfinite(value)]
    return median(known) if known else None
