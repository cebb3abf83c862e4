"""An oil analyser that drifts by itself: a slow, steady change that nothing around it shares.

See docs/detectors/analyser_drift.md. Works on hourly medians; Mann–Kendall's tau says how steady a change is (Mann,
Econometrica 13, 1945, 245).
"""

from __future__ import annotations

from collections.abc import Mapping
from statistics import median
from typing import ClassVar, Final

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from analytics.detectors.base import Coverage, Draft, State
from analytics.evidence import moment, number, plain, trace
from analytics.frame import Block
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, RuledOut

# Common practice, no source.
HOUR: Final = 60
LEAST: Final = 20  # judged minutes in an hour's median
WINDOWS: Final = (8, 24)  # hours over which a change must be steady
KEPT: Final = 72  # hours
BEFORE: Final = 6  # hours before the window that tell what is usual
STEADY: Final = 0.75  # Mann–Kendall's tau
CHANGE: Final = 0.40  # of usual
STEP: Final = 0.5  # share of the change that may come in one hour: more is no drift
SHARED: Final = 0.4  # share of the change (relative) that a partner must show to explain it
COLDER: Final = 4.0  # °C
BACK: Final = 0.15  # of usual within which it is back
BACK_HOURS: Final = 2
OIL: Final = ("outlet_oil", "inlet_oil", "oil")
FLOWS: Final = ("inlet_flow", "flow", "reject_flow")


class Drifting(BaseModel):
    """The drift that stands: what was usual before it, hours back to that."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    onset: int
    usual: float
    back: int = 0


class DriftState(State):
    """Memory of the analysers of one unit: minutes of the hour, hourly medians (hour, by signal), open drifts."""

    hour: int | None = None
    minutes: dict[str, tuple[float, ...]] = Field(default_factory=dict)
    hours: tuple[tuple[int, dict[str, float]], ...] = ()
    open: dict[str, Drifting] = Field(default_factory=dict)


class AnalyserDrift:
    """Kind ``sensor-drift`` of an oil analyser. A tag that several units share is spoken of by the first."""

    name: ClassVar[str] = "analyser_drift"
    version: ClassVar[int] = 1
    kinds: ClassVar[frozenset[str]] = frozenset({"sensor-drift"})
    unit_type: ClassVar[str] = "*"
    state: ClassVar[type[State]] = DriftState

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """An oil analyser and at least one partner that would move if the oil were real."""
        roles = _analysers(unit, skid)
        if not roles:
            return Coverage(frozenset())
        if not all(_partners(unit, skid, role) for role in roles):
            return Coverage(frozenset(), missing=("a partner: a flow, a temperature or another oil analyser",))
        return Coverage(self.kinds)

    def start(self, unit: UnitView, skid: SkidView) -> DriftState:  # noqa: ARG002
        """Nothing known."""
        return DriftState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """Collects running minutes and judges at the end of each hour of UTC."""
        assert isinstance(state, DriftState)
        s = state.model_copy()
        s.minutes, s.open = dict(s.minutes), dict(s.open)
        roles = _analysers(unit, skid)
        places = {f"{unit.id}/{role}": (unit.id, role) for role in roles}
        for role in roles:
            places.update(_partners(unit, skid, role))
        columns = {name: block.clean(*place) for name, place in places.items()}
        judged = block.running & ~block.settling
        drafts: list[Draft] = []
        for i, minute in enumerate(block.minutes.tolist()):
            if judged[i]:
                for name, column in columns.items():
                    if np.isfinite(column[i]):
                        s.minutes[name] = (*s.minutes.get(name, ()), float(column[i]))
            if minute % HOUR == HOUR - 1:
                figures = {name: median(v) for name, v in s.minutes.items() if len(v) >= LEAST}
                s.minutes = {}
                if figures:
                    s.hours = (*s.hours, (minute // HOUR, figures))[-KEPT:]
                    for role in roles:
                        drafts += _judge(unit, skid, s, role, minute)
        return s, drafts


PLUGIN = AnalyserDrift()


def _analysers(unit: UnitView, skid: SkidView) -> list[str]:
    """Oil roles of ``unit`` whose tag no earlier unit has."""
    earlier = set[str]()
    for other in skid.units:
        if other.id == unit.id:
            break
        earlier.update(other.tags.values())
    return [role for role in OIL if unit.has(role) and unit.tags[role] not in earlier]


def _partners(unit: UnitView, skid: SkidView, role: str) -> dict[str, tuple[str, str]]:
    """What would move with real oil: flows and temperature here and upstream, the nearest analysers on both sides."""
    found: dict[str, tuple[str, str]] = {}
    tag = unit.tags[role]
    for view in (unit, *(skid.by_id[name] for name in skid.before(unit.id))):
        for other in (*FLOWS, "temperature"):
            if view.has(other):
                found[f"{view.id}/{other}"] = (view.id, other)
    for side in (skid.before(unit.id), skid.after(unit.id)):
        for name in side:
            view = skid.by_id[name]
            analyser = next((r for r in OIL if view.has(r) and view.tags[r] != tag), None)
            if analyser is not None:
                found[f"{view.id}/{analyser}"] = (view.id, analyser)
                break
    return found


def tau(values: list[float]) -> float:
    """Mann–Kendall's tau against time, -1 to 1: share of pairs that rise less share of pairs that fall."""
    array = np.asarray(values)
    signs = np.sign(array[None, :] - array[:, None])[np.triu_indices(len(array), 1)]
    return float(signs.mean()) if len(signs) else 0.0


def _judge(unit: UnitView, skid: SkidView, s: DriftState, role: str, minute: int) -> list[Draft]:
    name = f"{unit.id}/{role}"
    known = [(hour, figures[name]) for hour, figures in s.hours if name in figures]
    if not known or known[-1][0] != minute // HOUR:
        return []
    drift = s.open.get(role)
    if drift is not None:
        near = abs(known[-1][1] - drift.usual) <= BACK * drift.usual
        s.open[role] = drift.model_copy(update={"back": drift.back + 1 if near else 0})
        if s.open[role].back < BACK_HOURS:
            return []
        del s.open[role]
        ended = minute + 1 - BACK_HOURS * HOUR
        s.hours = s.hours[-BACK_HOURS:]  # what the fouled window read must not become usual
        return [_draft(unit, role, known, drift, minute, ended=ended)]
    for window in WINDOWS:
        usual = _steady(known, window)
        if usual is None or _shared(s, unit, skid, role, known, window):
            continue
        onset = known[-window][0] * HOUR
        s.open[role] = Drifting(onset=onset, usual=usual)
        return [_draft(unit, role, known, s.open[role], minute)]
    return []


def _steady(known: list[tuple[int, float]], window: int) -> float | None:
    """The usual level if the last ``window`` hours left it slowly and steadily, else None."""
    if len(known) < window + BEFORE:
        return None
    values = [value for _, value in known[-window:]]
    usual = median(value for _, value in known[:-window][-KEPT:])
    change = median(values[-3:]) - usual
    if usual <= 0 or abs(change) < CHANGE * usual or np.sign(change) * tau(values) < STEADY:
        return None
    return None if float(np.max(np.abs(np.diff(values)))) > STEP * abs(change) else usual


def _shared(
    s: DriftState, unit: UnitView, skid: SkidView, role: str, known: list[tuple[int, float]], window: int
) -> bool:
    """True if a partner changed too over the window: then it may be the water."""
    change = abs(median(v for _, v in known[-3:]) / max(median(v for _, v in known[:-window]), 1e-9) - 1.0)
    begin = known[-window][0]
    for name, (_, other) in _partners(unit, skid, role).items():
        before = [f[name] for hour, f in s.hours if name in f and hour < begin]
        now = [f[name] for _, f in s.hours[-3:] if name in f]
        if not before or not now:
            continue
        moved = median(now) - median(before)
        if other == "temperature":
            if abs(moved) >= COLDER:
                return True
        elif abs(moved) >= min(SHARED * change, 0.25) * abs(median(before)):
            return True
    return False


def _draft(
    unit: UnitView, role: str, known: list[tuple[int, float]], drift: Drifting, minute: int, ended: int | None = None
) -> Draft:
    now = known[-1][1]
    hours: Mapping[int, float] = dict(known)
    return Draft(
        minute=minute,
        kind="sensor-drift",
        run_key=str(drift.onset),
        onset=drift.onset,
        severity="low",
        confidence=0.7,
        unit=unit.tags[role],
        cause="fouled",
        ended=ended,
        evidence=Evidence(
            numbers=(
                number(unit, role, "oil", now),
                number(unit, role, "oil_usual", drift.usual),
                plain("steadiness", tau([v for hour, v in known if hour * HOUR >= drift.onset])),
            ),
            traces=(trace(unit, role, "oil", [hour * HOUR for hour in hours], hours.values()),),
            start=moment(drift.onset),
            end=moment(minute),
        ),
        ruled_out=(
            RuledOut(
                what="oil carry-over", why="it changed over hours, and no flow, temperature or other analyser did"
            ),
        ),
        first_step="Suggest a grab sample and a look at the analyser's window, per site procedure.",
    )
