"""Strainer blinding: the drop at equal flow rises and turns up (docs/detectors/strainer_blinding.md).

Works on medians of 30 minutes and on ΔP / (SG Q²), so that a flow step leaves it where it was.
"""

from __future__ import annotations

from datetime import timedelta
from statistics import median
from typing import ClassVar, Final

import numpy as np
from pydantic import BaseModel, ConfigDict

from analytics.bins import Part, Rows, parts
from analytics.blinding import blocked, reach, resistance
from analytics.conditions import Water, water_at
from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.drift_shape import hinge
from analytics.evidence import moment, number, plain, trace
from analytics.frame import F64, Block
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, Forecast, RuledOut
from skidhand.model.kinds import Severity

# Common practice, no source, unless said otherwise.
BIN: Final = 30  # minutes
ENOUGH: Final = 15  # usable minutes in a bin
LEARN: Final = 12  # bins (6 h of service) whose median is a clean strainer; a lower one later replaces it
KEPT: Final = 144  # bins kept: 72 h of service
TREND: Final = 24  # bins (12 h) that the forecast is made from
AHEAD: Final = 48.0  # hours: said when cleaning is due within two days
RISEN: Final = 1.3  # index over clean below which no forecast is believed
TWOFOLD: Final = 2.0  # index over clean that is said with half of the limit reached
HALF: Final = 0.5
TWICE: Final = 2  # bins in a row, to open, and to see that it was cleaned
CLEANED: Final = 0.75  # of what stood before: the drop has collapsed
CLEAN_AGAIN: Final = 1.2  # index over clean at which it is over, however it came about
MOVED: Final = 0.25  # of the hours left by which a forecast must move to be said again
LEAST_MOVE: Final = 2.0  # hours, likewise
LOW_FLOW: Final = 0.30  # share of design flow below which nothing is judged
STEP: Final = "Suggest cleaning the strainer, per site procedure."


class Bin(BaseModel):
    """Medians of half an hour: m³/h, kPa, density relative to 25 °C, and ΔP / (SG Q²)."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    minute: int
    flow: float
    dp: float
    density: float
    index: float


class Told(BaseModel):
    """What is said of the blinding, and the figures it was said on (they stay when it is over)."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    onset: int
    severity: Severity
    now: Bin
    flow: float  # the usual one
    clean: float | None
    due: tuple[float, float, float] | None  # minutes since the epoch: least, likely, most


class BlindingState(State):
    """Memory of one strainer. ``minutes``: (minute, flow, drop, °C) of the bin under way; ``kept``: since cleaning."""

    minutes: Rows = ()
    learning: tuple[float, ...] = ()
    clean: float | None = None
    kept: tuple[Bin, ...] = ()
    beyond: int = 0
    told: Told | None = None


class StrainerBlinding:
    """Kind ``strainer-blinding`` of a strainer."""

    name: ClassVar[str] = "strainer_blinding"
    version: ClassVar[int] = 2
    kinds: ClassVar[frozenset[str]] = frozenset({"strainer-blinding"})
    unit_type: ClassVar[str] = "strainer"
    state: ClassVar[type[State]] = BlindingState
    learns: ClassVar[Learns] = Learns(
        parts=frozenset({"basket"}),
        roles=frozenset({"flow", "dp", "inlet_pressure", "outlet_pressure"}),
        keeps=frozenset(BlindingState.model_fields),
        stays=frozenset({"strainer-blinding"}),
    )

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """A drop, or two pressures, and the flow."""
        missing = []
        if not (unit.has("dp") or unit.has("inlet_pressure", "outlet_pressure")):
            missing.append("dp, or inlet_pressure and outlet_pressure")
        if not unit.has("flow"):
            missing.append("flow: a flow step cannot be told from blinding")
        if missing:
            return Coverage(frozenset(), missing=tuple(missing))
        weaker = () if water_at(unit, skid).tag else ("temperature: density is taken as constant",)
        return Coverage(self.kinds, weaker=weaker)

    def start(self, unit: UnitView, skid: SkidView) -> BlindingState:  # noqa: ARG002
        """Nothing learnt."""
        return BlindingState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """Minute by minute; judged at the last minute of each 30 on the clock."""
        assert isinstance(state, BlindingState)
        now, drafts = state.model_copy(), list[Draft]()
        water, flow, dp = water_at(unit, skid), block.clean(unit.id, "flow"), _drop(unit, block)
        least = LOW_FLOW * (skid.design_flow or 0.0)
        usable = block.running & ~block.settling & np.isfinite(flow) & (flow > least) & (flow > 0) & (dp > 0)
        columns = [flow, dp, water.celsius(block)]
        now.minutes, ended = parts(now.minutes, block.minutes, columns, usable, size=BIN, enough=ENOUGH)
        for part in ended:
            drafts += _end_bin(unit, water, now, part)
        return now, drafts

    def progress(self, unit: UnitView, state: State) -> Progress | None:  # noqa: ARG002
        """What a clean basket takes."""
        assert isinstance(state, BlindingState)
        return Progress(len(state.learning) * BIN / 60, LEARN * BIN / 60) if state.clean is None else None


PLUGIN = StrainerBlinding()


def _drop(unit: UnitView, block: Block) -> F64:
    if unit.has("dp"):
        return block.clean(unit.id, "dp")
    return block.clean(unit.id, "inlet_pressure") - block.clean(unit.id, "outlet_pressure")


def _end_bin(unit: UnitView, water: Water, s: BlindingState, part: Part) -> list[Draft]:
    minute, (flow, dp, warm) = part.end, part.middle
    assert flow is not None
    assert dp is not None
    density = water.density_ratio(warm)
    index = resistance(dp, flow, density)
    s.kept = (*s.kept, Bin(minute=minute + 1 - BIN, flow=flow, dp=dp, density=density, index=index))[-KEPT:]
    drafts = _judge(unit, s, minute)
    _learn(s, index)
    return drafts


def _learn(s: BlindingState, index: float) -> None:
    """Nothing is cleaner than a clean strainer: the lowest median of 6 h."""
    s.learning = (*s.learning, index)
    if len(s.learning) == LEARN:
        level = median(s.learning)
        s.clean, s.learning = level if s.clean is None else min(s.clean, level), ()


def _judge(unit: UnitView, s: BlindingState, minute: int) -> list[Draft]:
    recent = median(b.index for b in s.kept[-TWICE:])
    if _was_cleaned(s, recent):
        s.kept, s.beyond, s.learning = s.kept[-TWICE:], 0, ()
        if s.told is None:
            return []
        told, s.told = s.told, None
        return [_draft(unit, s, told, minute, ended=s.kept[0].minute)]
    flow = median(b.flow for b in s.kept)
    level = resistance(unit.limits["dp_clean_at"], flow, s.kept[-1].density)
    left = None if s.clean is None or recent < RISEN * s.clean else _left(s, level)
    soon = left is not None and left[1] <= AHEAD
    much = s.clean is not None and recent > TWOFOLD * s.clean and recent > HALF * level and not _far_off(s, level)
    s.beyond = s.beyond + 1 if soon or much or recent > level else 0
    severity: Severity = "high" if recent > level else "medium"
    due = None if left is None else tuple(minute + 1 + 60.0 * hours for hours in left)
    if s.told is None:
        if s.beyond < TWICE:
            return []
        began = _began(s)
    elif s.beyond < TWICE or s.told.severity == "high" or not (severity == "high" or _moved(s.told, due, minute)):
        return []
    else:
        began = s.told.onset
    s.told = Told(onset=began, severity=severity, now=s.kept[-1], flow=flow, clean=s.clean, due=due)
    return [_draft(unit, s, s.told, minute)]


def _was_cleaned(s: BlindingState, recent: float) -> bool:
    before = [b.index for b in s.kept[-TWICE - 4 : -TWICE]]
    if before and recent < CLEANED * median(before) and s.kept[-TWICE].index < CLEANED * median(before):
        return True
    return s.told is not None and s.clean is not None and recent < CLEAN_AGAIN * s.clean


def _far_off(s: BlindingState, level: float) -> bool:
    """By the trend of all that is kept it will not be due for long; what came at once and stays has no such trend."""
    left = _left(s, level, KEPT)
    return left is not None and left[1] > AHEAD


def _left(s: BlindingState, level: float, bins: int = TREND) -> tuple[float, float, float] | None:
    shown = s.kept[-bins:]
    return reach([b.minute for b in shown], [b.index for b in shown], level)


def _moved(told: Told, due: tuple[float, ...] | None, minute: int) -> bool:
    """The forecast is off by a good part of the time that is left."""
    if due is None or told.due is None:
        return due is not None
    left = max(0.0, due[1] - minute) / 60.0
    return abs(due[1] - told.due[1]) / 60.0 > max(LEAST_MOVE, MOVED * left)


def _began(s: BlindingState) -> int:
    """Where the share of blocked area began to grow; the first minute known where no clean value is."""
    if s.clean is None or len(s.kept) < LEARN:
        return s.kept[0].minute
    return s.kept[hinge(blocked(np.array([b.index for b in s.kept]), s.clean))].minute


def _draft(unit: UnitView, s: BlindingState, told: Told, minute: int, ended: int | None = None) -> Draft:
    role = "dp" if unit.has("dp") else "inlet_pressure"
    at_usual = told.now.index * told.now.density * told.flow**2
    numbers = [
        number(unit, role, "drop", told.now.dp, difference=True),
        number(unit, "flow", "flow", told.now.flow),
        number(unit, "flow", "flow_usual", told.flow),
        number(unit, role, "drop_at_usual_flow", at_usual, difference=True),
        number(unit, role, "drop_to_clean_at", unit.limits["dp_clean_at"], difference=True),
    ]
    ruled_out = []
    if told.clean is not None:
        clean = told.clean * told.now.density * told.flow**2
        numbers.append(number(unit, role, "clean_drop_at_usual_flow", clean, difference=True))
        numbers.append(plain("drop_over_clean", told.now.index / told.clean))
        why = f"the drop is {told.now.index / told.clean:.1f} times clean at equal flow"
        ruled_out.append(RuledOut(what="a flow step", why=why))
    minutes = [b.minute for b in s.kept]
    traces = [
        trace(unit, role, "drop", minutes, [b.dp for b in s.kept]),
        trace(unit, role, "drop_at_usual_flow", minutes, [b.index * b.density * told.flow**2 for b in s.kept]),
    ]
    return Draft(
        minute=minute,
        kind="strainer-blinding",
        run_key=str(told.onset),
        onset=told.onset,
        severity=told.severity,
        confidence=0.6 if told.clean is None else 0.85,
        unit=unit.id,
        ended=ended,
        evidence=Evidence(numbers=tuple(numbers), traces=tuple(traces)),
        ruled_out=tuple(ruled_out),
        forecast=None if told.due is None or ended is not None else _forecast(told.due),
        first_step=STEP,
    )


def _forecast(due: tuple[float, float, float]) -> Forecast:
    low, when, high = (moment(minute) for minute in due)
    assert high - low >= timedelta(0)
    return Forecast(what="cleaning", when=when, low=low, high=high)
