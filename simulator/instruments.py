"""Instruments: what a transmitter makes of the true value.

true value ─▶ lag ─▶ correlated noise, spikes ─▶ what ails it (fouled, frozen) ─▶ range ─▶ 12-bit steps

Spreads, lags and spike rates are common practice without a source. Transmitters saturate at 3.8 and
20.5 mA, so at −1.25 % and +103.125 % of range (NAMUR NE 43).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from simulator.ailments import Ailments
from simulator.skid_plant import Acting
from simulator.streams import Correlated, Floats, Lag, generator
from skidhand.fleet import Instrument as Declared
from skidhand.units import convert

SCAN_S: Final = 10
BITS: Final = 4095
BELOW, ABOVE = 0.0125, 0.03125  # NE 43
DECIMALS: Final = 4


@dataclass(frozen=True, slots=True)
class Nature:
    """How one kind of instrument behaves; ``noise`` is a share of span, ``relative`` a share of reading."""

    noise: float
    tau_s: float = 15.0
    lag_s: float = 2.0
    relative: float = 0.0
    spikes: float = 0.0  # chance per scan
    span: float = 100.0  # when the fleet file gives no range; in the unit of the role


NATURES: Final[dict[str, Nature]] = {
    "m3/h": Nature(noise=0.003, span=100.0, spikes=2e-5),
    "kPa": Nature(noise=0.0015, lag_s=1.0, span=1000.0, spikes=2e-5),
    "m": Nature(noise=0.0015, lag_s=5.0, tau_s=30.0, span=3.0, spikes=2e-5),
    "Cel": Nature(noise=0.0005, lag_s=30.0, tau_s=60.0, span=100.0),
    "mg/L": Nature(noise=0.003, lag_s=60.0, tau_s=60.0, relative=0.03, span=1000.0, spikes=2e-4),
    "{NTU}": Nature(noise=0.003, lag_s=30.0, tau_s=60.0, relative=0.04, span=100.0, spikes=2e-4),
    "/min": Nature(noise=0.0005, lag_s=0.0, span=500.0),
    "A": Nature(noise=0.004, span=50.0),
    "kg/m3": Nature(noise=0.001, lag_s=10.0, span=300.0),
    "V": Nature(noise=0.002, span=600.0),
}
SPIKE_SIZE: Final = 0.15  # of span
PULSES_LOST: Final = 1.0 / 7.0


class Transmitter:
    """One measuring instrument, drawn in blocks of scans; equal blocks or not, the readings are the same."""

    def __init__(self, seed: int, skid: str, tag: str, declared: Declared, unit: str, ails: Sequence[Acting]) -> None:
        nature = NATURES.get(unit, Nature(noise=0.002))
        low, high = declared.range or (0.0, convert(nature.span, unit, declared.unit, difference=True))
        self._low, self._high = low, high
        self._quantised = declared.range is not None
        self._nature = nature
        span = high - low
        self._ails = Ailments(seed, skid, tag, ails, low, high, float(SCAN_S)) if ails else None
        self._noise = Correlated(
            generator(seed, skid, f"{tag}/noise"), nature.noise * span, nature.tau_s, float(SCAN_S)
        )
        self._relative = Correlated(
            generator(seed, skid, f"{tag}/relative"), nature.relative, nature.tau_s, float(SCAN_S)
        )
        self._lag = Lag(nature.lag_s, float(SCAN_S))
        self._spikes = generator(seed, skid, f"{tag}/spikes")

    def draw(self, hours: Floats, true: Floats) -> Floats:
        """Readings for the ``true`` values at ``hours`` after the scenario's start; same shape."""
        slow, loud = self._lag.take(true), None
        if self._ails:
            slow, loud = self._ails.upset(hours, slow)
        noise = self._noise.take(len(true))
        if self._nature.relative:
            noise = noise + np.abs(slow) * self._relative.take(len(true))
        values = slow + (noise if loud is None else loud * noise)
        if self._nature.spikes:
            self._spike(values)
        if self._ails:
            values = self._ails.worn(hours, values)
            return self._ails.spoken(hours, self._ranged(values))
        return self._ranged(values)

    def _spike(self, values: Floats) -> None:
        """Add what spikes there are to ``values``."""
        draw = self._spikes.random((len(values), 2))
        struck = np.flatnonzero(draw[:, 0] < self._nature.spikes)
        values[struck] += (draw[struck, 1] - 0.3) * 2.0 * SPIKE_SIZE * (self._high - self._low)

    def _ranged(self, values: Floats) -> Floats:
        span = self._high - self._low
        if self._quantised:
            values = np.clip(values, self._low - BELOW * span, self._high + ABOVE * span)
            values = np.round((values - self._low) / span * BITS) / BITS * span + self._low
        return np.round(values, DECIMALS)


class Counter:
    """A meter's own total or a state: no noise; a total rolls over where the fleet file says so."""

    def __init__(self, declared: Declared, ails: Sequence[Acting] = ()) -> None:
        self._rollover = declared.rollover if declared.total else None
        self._step = 0.1 if declared.total else 1.0
        self._ails = ails
        self._true: float | None = None
        self._lost = 0.0  # of what passed, never counted

    def draw(self, hours: Floats, true: Floats) -> Floats:
        """Readings for the ``true`` values at ``hours`` after the scenario's start; same shape."""
        if self._ails:
            true = self._counted(hours, true)
        values = np.floor(true / self._step + 1e-9) * self._step
        if self._rollover is not None:
            values = np.mod(values, self._rollover)
        return np.round(values, DECIMALS)

    def _counted(self, hours: Floats, true: Floats) -> Floats:
        """The total less the pulses that were lost up to each scan."""
        passed = np.diff(true, prepend=true[0] if self._true is None else self._true)
        share = np.array([sum(PULSES_LOST * a.strength(float(hour)) for a in self._ails) for hour in hours])
        lost = np.cumsum(np.concatenate([[self._lost], passed * share]))[1:]  # one order of sums, whatever the blocks
        self._true, self._lost = float(true[-1]), float(lost[-1])
        return np.asarray(true - lost, dtype=np.float64)


def reported(
    times_us: npt.NDArray[np.int64], values: Floats, deadband: float, heartbeat_us: int, last: list[float]
) -> npt.NDArray[np.bool_]:
    """Mask of scans that a report-on-change instrument sends.

    A scan is sent when it differs from the last sent by more than ``deadband`` or ``heartbeat_us`` is over.
    ``last`` holds [time µs, value] of the last one sent, empty at first; it is brought up to date.
    """
    if deadband == 0.0 and len(values) > 1:
        return _changes(times_us, values, heartbeat_us, last)
    sent = np.zeros(len(values), dtype=bool)
    for i, (time, value) in enumerate(zip(times_us.tolist(), values.tolist(), strict=True)):
        if not last or abs(value - last[1]) > deadband or time - last[0] >= heartbeat_us:
            sent[i] = True
            last[:] = [time, value]
    return sent


def _changes(
    times_us: npt.NDArray[np.int64], values: Floats, heartbeat_us: int, last: list[float]
) -> npt.NDArray[np.bool_]:
    """:func:`reported` without a deadband, for evenly spaced scans: every change, and every so many scans between."""
    scan_us = int(times_us[1] - times_us[0])
    every = max(1, -(-heartbeat_us // scan_us))
    place = np.arange(len(values))
    changed = np.empty(len(values), dtype=bool)
    changed[0] = not last or values[0] != last[1]
    changed[1:] = values[1:] != values[:-1]
    since = round((times_us[0] - last[0]) / scan_us) if last else 0  # scans between the last sent and the first here
    anchor = np.maximum.accumulate(np.where(changed, place, -1))
    elapsed = np.where(anchor >= 0, place - anchor, place + since)
    sent = changed | (elapsed % every == 0)
    if sent.any():
        final = int(np.flatnonzero(sent)[-1])
        last[:] = [float(times_us[final]), float(values[final])]
    return np.asarray(sent)
