"""A tank whose level and flows disagree (docs/detectors/tank_balance.md).

What flows in less what flows out is what the tank gains: area times the rise of its level. What is left over in an hour
is compared with the tank's own usual, for meters have their errors; a leak, an unmetered drain or a wrong level stays.
"""

from __future__ import annotations

from math import copysign
from statistics import median
from typing import ClassVar, Final

import numpy as np
from pydantic import Field

from analytics.bins import Rows
from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.episodes import Episode, never, watch
from analytics.evidence import number, plain
from analytics.frame import F64, Block
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, RuledOut

# Common practice, no source, unless said otherwise.
HOUR: Final = 60
ENOUGH: Final = 50  # minutes with level and flows
ENDS: Final = 3  # minutes that give the level at an hour's begin and end
LEARN: Final = 24  # hours that make the usual
WINDOW: Final = 6  # hours whose median is judged: one jump of the level moves no median
SHARE: Final = 0.05  # of what flows through, the least that is spoken of: usual meters close water to 2 to 3 %
SIGMAS: Final = 3.0
AREA: Final = 0.2  # by which a tank's area may be off: so much of what it gains is no disagreement
ROBUST: Final = 1.4826  # MAD to standard deviation of normal noise: 1/Φ⁻¹(0.75)
AFTER: Final = 121  # minutes that it must last
STEP: Final = "Suggest checking the tank from outside, its drains and its gauge, per site procedure."
# How the water that a unit sends on is measured: role, and role to take off it.
SENDS: Final = {
    "media_filter": ("flow", None),
    "reverse_osmosis": ("permeate_flow", None),
    "feed_pump": ("flow", None),
    "hydrocyclone": ("inlet_flow", "reject_flow"),
    "buffer_tank": ("outlet_flow", None),
}
TAKES: Final = {"outlet": "flow", "feed_pump": "flow"}


class BalanceState(State):
    """Minutes of the hour under way (minute, level, in, out); hours learnt from; usual and scatter; last hours."""

    rest: Rows = ()
    learning: tuple[float, ...] = ()
    usual: tuple[float, float] | None = None  # m³/h
    hours: tuple[tuple[float, float], ...] = ()  # (left over beyond the usual, through), m³/h
    episode: Episode = Field(default_factory=Episode)


class TankBalance:
    """Kind ``level-unexplained`` of a plain tank whose water is metered on both sides."""

    name: ClassVar[str] = "tank_balance"
    version: ClassVar[int] = 2
    kinds: ClassVar[frozenset[str]] = frozenset({"level-unexplained"})
    unit_type: ClassVar[str] = "buffer_tank"
    state: ClassVar[type[State]] = BalanceState
    learns: ClassVar[Learns] = Learns(roles=frozenset({"level", "inlet_flow", "outlet_flow"}))

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """Level, area, and the flows on both sides."""
        missing = [what for what, has in (("level", unit.has("level")), ("area", "area" in unit.params)) if not has]
        missing += ["inlet_flow: what arrives"] if _sources(unit, skid) is None else []
        missing += ["outlet_flow: what leaves"] if _sinks(unit, skid) is None else []
        return Coverage(frozenset(), missing=tuple(missing)) if missing else Coverage(self.kinds)

    def start(self, unit: UnitView, skid: SkidView) -> BalanceState:  # noqa: ARG002
        """Nothing learnt."""
        return BalanceState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """Judged at the end of each hour in which nothing was washed."""
        assert isinstance(state, BalanceState)
        s = state.model_copy()
        sources, sinks = _sources(unit, skid), _sinks(unit, skid)
        if sources is None or sinks is None or "area" not in unit.params or not unit.has("level"):
            return s, []
        columns = [block.clean(unit.id, "level"), _sum(block, sources), _sum(block, sinks)]
        calm = ~np.any([never(block.minutes), *block.washing.values()], axis=0)
        columns[1] = np.where(calm, columns[1], np.nan)  # a wash takes water that no meter on this side sees
        s.rest, hours = _hours(s.rest, block, columns)
        on, off = never(block.minutes), never(block.minutes)
        seen: dict[int, tuple[float, float, float]] = {}
        for end, level, gained, inflow, outflow in hours:
            i = end - int(block.minutes[0])
            gain = gained * unit.params["area"]
            over = _take(s, gain - (inflow - outflow), max(inflow, outflow), AREA * abs(gain))
            if over is not None:
                seen[i] = over[0], level, over[2]
                on[i], off[i] = abs(over[0]) > over[1], abs(over[0]) < 0.6 * over[1]
        s.episode, drafts = watch(
            block.minutes, on, off, s.episode, after=AFTER, until=AFTER,
            say=lambda i, onset: _draft(unit, int(block.minutes[i]), onset, *seen[i]),
        )  # fmt: skip
        return s, drafts

    def progress(self, unit: UnitView, state: State) -> Progress | None:  # noqa: ARG002
        """Hours that make the usual."""
        assert isinstance(state, BalanceState)
        return Progress(len(state.learning), LEARN) if state.usual is None else None


PLUGIN = TankBalance()


def _sources(unit: UnitView, skid: SkidView) -> list[tuple[str, str, float]] | None:
    """(unit, role, sign) of all that flows in, None where something is not metered."""
    if unit.has("inlet_flow"):
        return [(unit.id, "inlet_flow", 1.0)]
    found = list[tuple[str, str, float]]()
    for name in unit.upstream:
        other = skid.by_id[name]
        role, less = SENDS.get(other.type.name, (None, None))
        if role is None or not other.has(role) or (less is not None and not other.has(less)):
            return None
        found.append((name, role, 1.0))
        found += [(name, less, -1.0)] if less is not None else []
    return found or None


def _sinks(unit: UnitView, skid: SkidView) -> list[tuple[str, str, float]] | None:
    if unit.has("outlet_flow"):
        return [(unit.id, "outlet_flow", 1.0)]
    found = list[tuple[str, str, float]]()
    for name in unit.downstream:
        other = skid.by_id[name]
        role = TAKES.get(other.type.name)
        if role is None or not other.has(role):
            return None
        found.append((name, role, 1.0))
    return found or None


def _sum(block: Block, flows: list[tuple[str, str, float]]) -> F64:
    return np.asarray(np.sum([sign * block.clean(unit, role) for unit, role, sign in flows], axis=0), dtype=np.float64)


def _hours(rest: Rows, block: Block, columns: list[F64]) -> tuple[Rows, list[tuple[int, float, float, float, float]]]:
    """(rows of the hour under way, whole hours: last minute, level, its rise m/h, mean in and out m³/h)."""
    usable = np.all([np.isfinite(column) for column in columns], axis=0)
    table = np.column_stack([block.minutes[usable].astype(np.float64), *(column[usable] for column in columns)])
    if rest:
        table = np.concatenate([np.array(rest, dtype=np.float64), table])
    whole = (int(block.minutes[-1]) + 1) // HOUR
    hour = table[:, 0].astype(np.int64) // HOUR
    carried = tuple(tuple(row) for row in table[hour >= whole].tolist())
    done = list[tuple[int, float, float, float, float]]()
    for one in np.unique(hour[hour < whole]).tolist():
        rows = table[hour == one]
        if len(rows) < ENOUGH:
            continue
        first, last = rows[:ENDS], rows[-ENDS:]
        took = (float(np.median(last[:, 0])) - float(np.median(first[:, 0]))) / HOUR
        level = float(np.median(last[:, 1]))
        rise = (level - float(np.median(first[:, 1]))) / took
        done.append(((one + 1) * HOUR - 1, level, rise, float(rows[:, 2].mean()), float(rows[:, 3].mean())))
    return carried, done


def _take(s: BalanceState, left: float, through: float, doubt: float) -> tuple[float, float, float] | None:
    """Learn from an hour; (left over beyond the usual, the limit, what flows through) of the last hours, m³/h.

    ``doubt``: of what is left over beyond the usual, what may be the area's error.
    """
    if s.usual is None:
        s.learning = (*s.learning, left)
        if len(s.learning) == LEARN:
            centre = median(s.learning)
            s.usual = centre, ROBUST * median(abs(x - centre) for x in s.learning)
            s.learning = ()
        return None
    beyond = copysign(max(0.0, abs(left - s.usual[0]) - doubt), left - s.usual[0])
    s.hours = (*s.hours, (beyond, through))[-WINDOW:]
    if len(s.hours) < WINDOW:
        return None
    flow = median(t for _, t in s.hours)
    # A median's standard error is 1.25 σ/√n (normal noise).
    limit = max(SIGMAS * 1.25 * s.usual[1] / WINDOW**0.5, SHARE * flow)
    return median(x for x, _ in s.hours), limit, flow


def _draft(unit: UnitView, minute: int, onset: int, over: float, level: float, flow: float) -> Draft:
    way = "less" if over < 0 else "more"
    numbers = (
        number(unit, "level", "level", level),
        plain("unexplained", over, "m3/h"),
        plain("flows_through", flow, "m3/h"),
        plain("window", float(WINDOW), "h"),
    )
    return Draft(
        minute=minute,
        kind="level-unexplained",
        run_key=str(onset),
        onset=max(onset - WINDOW // 2 * HOUR, 0),  # a median sees a change when half of its hours have it
        severity="medium",
        confidence=0.75,
        unit=unit.id,
        evidence=Evidence(numbers=numbers),
        ruled_out=(
            RuledOut(what="errors of the meters", why=f"the tank gains {way} than it usually does at these flows"),
            RuledOut(what="one jump of the gauge", why=f"it is the median of {WINDOW} hours"),
        ),
        first_step=STEP,
    )
