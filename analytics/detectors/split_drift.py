"""Split drift of a hydrocyclone: less (or more) goes to the reject than its flow and pressure explain.

See docs/detectors/split_drift.md. Works on medians of 5 minutes; the reference is learnt once from the cyclone's
own quiet service and begins anew with a placement or new liners. What one pressure's own error explains is said of
that pressure (:mod:`analytics.zero_drift`).
"""

from __future__ import annotations

from math import exp, log
from statistics import median
from typing import ClassVar, Final

import numpy as np

from analytics.bins import Rows
from analytics.bins import parts as parts_of
from analytics.changepoints import onset
from analytics.cyclone_split import Frozen, Parts, Readings, Reference, cause_of, learn, middle, parts, zero_of
from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.evidence import digits, number, plain
from analytics.frame import Block
from analytics.zero_drift import Creep, follow, partners
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, Number, RuledOut, Trace
from skidhand.model.kinds import Severity

# Common practice, no source, unless said otherwise.
BIN: Final = 5  # minutes
ENOUGH: Final = 3  # usable minutes in a bin
LEARN: Final = 72  # bins (6 h of service) that make the reference
RECENT: Final = 3  # bins whose median is judged
OPEN_AFTER: Final = 2  # judged bins in a row beyond the limit
CLOSE_AFTER: Final = 6  # judged bins in a row back inside
BACK_INSIDE: Final = 0.6  # of the limit
KEPT: Final = 576  # bins kept for dating: 48 h of service
HIGH: Final = log(1.5)  # change at which it is severe
NOISE: Final = 4.0  # the limit is never below so many standard deviations of the learnt scatter
LOW_FLOW: Final = 0.30  # share of design flow below which nothing is judged

ROLES: Final = {
    "inlet": "inlet_flow",
    "reject": "reject_flow",
    "pin": "inlet_pressure",
    "pout": "outlet_pressure",
    "prej": "reject_pressure",
    "oil": "outlet_oil",
}
FLOWS: Final = ("inlet_flow", "reject_flow")
PRESSURES: Final = ("inlet_pressure", "outlet_pressure", "reject_pressure")

STEPS: Final = {
    "reject-plugging": "Suggest checking the reject ports and line for plugging, per site procedure.",
    "reject-back-pressure": "Suggest checking the reject line, its valve and the tank behind it, per site procedure.",
    "inlet-plugging": "Suggest planning an inspection of the inlet slots, per site procedure.",
    "liner-wear": "Suggest planning an inspection of the liners, per site procedure.",
}
ANY_STEP: Final = "Suggest checking the reject flow, its valve and its meter, per site procedure."


class Told(Frozen):
    """What is said of the present drift, and the figures it was said on (they stay when it is over)."""

    key: str
    onset: int
    cause: str | None
    severity: Severity
    now: Readings
    change: Parts


class Kept(Frozen):
    """One bin for dating: its first minute and the change of split and of drop ratio."""

    minute: int
    split: float | None
    drop_ratio: float | None


class SplitState(State):
    """Memory of one cyclone. ``minutes`` are the usable minutes of the bin under way, figures in the order of ROLES."""

    minutes: Rows = ()
    learning: tuple[Readings, ...] = ()
    base: Reference | None = None
    recent: tuple[Parts, ...] = ()
    last: tuple[Readings, ...] = ()
    kept: tuple[Kept, ...] = ()
    beyond: int = 0
    inside: int = 0
    other: int = 0
    told: Told | None = None
    creep: Creep = Creep()


class SplitDrift:
    """Kind ``split-drift`` of a hydrocyclone, and ``sensor-drift`` of a pressure of it."""

    name: ClassVar[str] = "split_drift"
    version: ClassVar[int] = 3
    kinds: ClassVar[frozenset[str]] = frozenset({"split-drift", "sensor-drift"})
    unit_type: ClassVar[str] = "hydrocyclone"
    state: ClassVar[type[State]] = SplitState
    learns: ClassVar[Learns] = Learns(
        parts=frozenset({"liner"}),
        roles=frozenset(ROLES.values()),
        keeps=frozenset(SplitState.model_fields),
        stays=frozenset({"split-drift", "sensor-drift"}),
    )

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:  # noqa: ARG002
        """Two flows, or three pressures with the feed flow; both tell the cause."""
        flows, pressures = unit.has(*FLOWS), unit.has(*PRESSURES, "inlet_flow")
        if not flows and not pressures:
            return Coverage(frozenset(), missing=("inlet_flow and reject_flow, or inlet_flow and all three pressures",))
        weaker = []
        if not flows:
            weaker.append("reject_flow: a plugged reject leaves the pressure drop ratio unchanged and is not seen")
        if not unit.has(*PRESSURES):
            weaker.append("the three pressures: judged only near the usual flow, and without a cause")
        watched = self.kinds if not weaker else self.kinds - {"sensor-drift"}
        return Coverage(watched, weaker=tuple(weaker))

    def start(self, unit: UnitView, skid: SkidView) -> SplitState:  # noqa: ARG002
        """Nothing learnt."""
        return SplitState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """Minute by minute; judged at the last minute of each 5 on the clock."""
        assert isinstance(state, SplitState)
        now, drafts = state.model_copy(), list[Draft]()
        columns = {name: block.clean(unit.id, role) for name, role in ROLES.items()}
        flow = columns["inlet"]
        usable = block.running & ~block.settling & (flow > LOW_FLOW * (skid.design_flow or 0.0)) & (flow > 0)
        figures = [*columns.values(), *partners(unit, skid, block)]
        now.minutes, ended = parts_of(
            now.minutes, block.minutes, figures, usable, size=BIN, enough=ENOUGH, known=ENOUGH
        )
        for part in ended:
            reading = Readings(minute=part.first, **dict(zip((*ROLES, "partner", "pump"), part.middle, strict=True)))
            drafts += _end_bin(unit, now, reading, part.end)
        return now, drafts

    def progress(self, unit: UnitView, state: State) -> Progress | None:  # noqa: ARG002
        """The reference."""
        assert isinstance(state, SplitState)
        return Progress(len(state.learning) * BIN / 60, LEARN * BIN / 60) if state.base is None else None


PLUGIN = SplitDrift()


def _end_bin(unit: UnitView, s: SplitState, now: Readings, minute: int) -> list[Draft]:
    if s.base is None:
        s.learning = (*s.learning, now)
        if len(s.learning) == LEARN:
            s.base, s.learning = learn(s.learning), ()
        return []
    change = parts(now, s.base)
    s.recent, s.last = (*s.recent, change)[-RECENT:], (*s.last, now)[-RECENT:]
    s.kept = (*s.kept, Kept(minute=now.minute, split=change.split, drop_ratio=change.drop_ratio))[-KEPT:]
    s.creep, drafts = follow(unit, s.creep, now.minute, minute, zero_of(now, s.base))
    return drafts + (_judge(unit, s, s.base, minute) if len(s.recent) == RECENT else [])


def _judge(unit: UnitView, s: SplitState, base: Reference, minute: int) -> list[Draft]:
    limit = max(log(1.0 + unit.limits["split_change"]), NOISE * base.noise)
    change = middle(s.recent)
    if change.split is None and change.drop_ratio is None:
        return []
    size = max(abs(change.split or 0.0), abs(change.drop_ratio or 0.0))
    s.beyond = s.beyond + 1 if size > limit else 0
    s.inside = s.inside + 1 if size < BACK_INSIDE * limit else 0
    severity: Severity = "high" if size >= HIGH else "medium"
    cause = cause_of(change, limit)
    if s.told is None:
        if s.beyond < OPEN_AFTER:
            return []
        began = _began(s, change, limit)
        s.other = 0
        s.told = Told(key=str(began), onset=began, cause=cause, severity=severity, now=_middle(s.last), change=change)
        return [_draft(unit, s, base, s.told, minute)]
    if s.inside >= CLOSE_AFTER:
        told, s.told, s.beyond = s.told, None, 0
        return [_draft(unit, s, base, told, minute, ended=minute + 1 - CLOSE_AFTER * BIN)]
    # A cause or a worse severity is said anew once it has stood for some bins.
    worse = severity == "high" and s.told.severity != "high"
    s.other = s.other + 1 if size > limit and (worse or (cause is not None and cause != s.told.cause)) else 0
    if s.other < RECENT:
        return []
    update = {"cause": cause or s.told.cause, "severity": "high" if worse else s.told.severity}
    s.told = s.told.model_copy(update={**update, "now": _middle(s.last), "change": change})
    s.other = 0
    return [_draft(unit, s, base, s.told, minute)]


def _began(s: SplitState, change: Parts, limit: float) -> int:
    """First minute of the deviation, dated on whichever of split and drop ratio deviates more."""
    by = "split" if abs(change.split or 0.0) >= abs(change.drop_ratio or 0.0) else "drop_ratio"
    dated = [(k.minute, value) for k in s.kept if (value := getattr(k, by)) is not None]
    return dated[onset(np.array([value for _, value in dated]), usual=0.0, limit=limit)][0]


def _draft(unit: UnitView, s: SplitState, base: Reference, told: Told, minute: int, ended: int | None = None) -> Draft:
    size = max(abs(told.change.split or 0.0), abs(told.change.drop_ratio or 0.0))
    return Draft(
        minute=minute,
        kind="split-drift",
        run_key=told.key,
        onset=told.onset,
        severity=told.severity,
        confidence=round(min(0.95, 0.6 + 0.5 * size), 2),
        unit=unit.id,
        cause=told.cause,
        ended=ended,
        evidence=Evidence(numbers=tuple(_numbers(unit, base, told.now, told.change)), traces=_traces(s)),
        ruled_out=tuple(_ruled_out(unit, base, told.now, told.change)),
        first_step=STEPS.get(told.cause or "", ANY_STEP),
    )


def _numbers(unit: UnitView, base: Reference, now: Readings, change: Parts) -> list[Number]:
    """The figures from which the change can be computed by hand."""
    found = []
    if now.ratio is not None:
        found.append(plain("reject_ratio", now.ratio))
        if change.split is not None:
            found.append(plain("reject_ratio_expected", now.ratio / exp(change.split)))
    if now.pdr is not None:
        found.append(plain("pressure_drop_ratio", now.pdr))
        if change.drop_ratio is not None:
            found.append(plain("pressure_drop_ratio_expected", now.pdr / exp(change.drop_ratio)))
    for name, role in ROLES.items():
        for label, value in ((role, getattr(now, name)), (f"{role}_learnt", getattr(base, name, None))):
            if value is not None:
                found.append(number(unit, role, label, value))
    return found


def _traces(s: SplitState) -> tuple[Trace, ...]:
    """Changes of split and drop ratio in per cent of what was expected, every fifth minute, the latest 500."""
    shown = s.kept[-500:]
    times = tuple(k.minute * 60_000_000 for k in shown)
    return tuple(
        Trace(
            name=name,
            unit="%",
            times=times,
            values=tuple(None if (v := getattr(k, field)) is None else digits(100.0 * (exp(v) - 1.0)) for k in shown),
        )
        for name, field in (("reject_ratio_change", "split"), ("pressure_drop_ratio_change", "drop_ratio"))
        if any(getattr(k, field) is not None for k in shown)
    )


def _ruled_out(unit: UnitView, base: Reference, now: Readings, change: Parts) -> list[RuledOut]:
    found = []
    if now.inlet is not None and base.inlet:
        shown, _ = unit.shown("inlet_flow", now.inlet)
        moved = f"{100 * (now.inlet / base.inlet - 1):+.0f} %"
        found.append(RuledOut(what="flow step", why=f"flow is {shown:.3g}, {moved} of what was learnt; allowed for"))
    if change.passage is not None and change.push is not None:
        if abs(change.push) < abs(change.passage):
            share = f"{round(100 * (exp(change.push) - 1)):+d} %"
            found.append(RuledOut(what="reject back-pressure", why=f"it explains {share} of the reject flow only"))
        else:
            passed = f"{100 * (exp(change.passage) - 1):+.0f} %"
            found.append(RuledOut(what="plugged reject", why=f"its passage changed by {passed} only"))
    found.append(RuledOut(what="frozen instrument", why="every reading used has moved within its last half hour"))
    return found


def _middle(bins: tuple[Readings, ...]) -> Readings:
    """Medians of each reading, from the first minute on."""
    figures = {name: _median([getattr(r, name) for r in bins]) for name in ROLES}
    return Readings(minute=bins[0].minute, **figures)


def _median(values: list[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return median(known) if known else None
