"""Sludge that takes a settling tank's volume, and when it will be too much (docs/detectors/sludge.md)."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median
from typing import ClassVar, Final

import numpy as np
from pydantic import Field

from analytics.bins import Part, Rows, parts
from analytics.detectors.base import Coverage, Draft, Learns, NothingLearnt, State
from analytics.episodes import Episode, never, watch
from analytics.evidence import moment, number, plain, trace
from analytics.frame import Block
from analytics.lines import Line, theil_sen
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, Forecast, RuledOut
from skidhand.model.kinds import Severity

# Common practice, no source.
PART: Final = 60  # minutes
ENOUGH: Final = 20  # of them in service
MIDDLE: Final = 3  # hourly medians whose median is the level: one odd hour moves nothing
LATELY: Final = 360  # minutes in which these must lie
KEPT: Final = 48  # hourly levels that the rate is taken from
TREND: Final = 2880  # minutes that they must span: shorter, a day's ups and downs pass for a rate
LEAST: Final = 24  # levels that make a rate
STEP: Final = 0.05  # m in an hour, more than sand brings; and the fall from which sludge has been drawn off
AHEAD: Final = 7.0  # days to the limit that are spoken of
CALM: Final = 14.0  # days to the limit that are nothing to speak of any more
SOON: Final = 2.0  # days to the limit from which it presses
FLOOR: Final = 1.0 / 3.0  # of the limit, below which a rate alone says nothing
BACK: Final = 0.9  # of the limit or of the floor, below which it is over
AFTER: Final = 301  # minutes: six hourly levels in a row
MOVED: Final = 0.5  # of the days left by which a forecast must move to be said again
FIRST_STEP: Final = "Suggest checking the sludge draw and asking for a clean-out plan, per site procedure."


class SludgeState(State):
    """``rest``: minutes of the hour under way; ``latest``: (last minute, median) of hours; ``levels``: smoothed.

    ``jumped``: when the gauge last rose by a step; ``drawn``: the levels begin where sludge was drawn off.
    """

    rest: Rows = ()
    latest: tuple[tuple[int, float], ...] = ()
    levels: tuple[tuple[int, float], ...] = ()
    jumped: int | None = None
    drawn: bool = False
    episode: Episode = Field(default_factory=Episode)


@dataclass(frozen=True, slots=True)
class Look:
    """Level (m), its rate (m/d with an 80 % interval) where there is one, days to the limit, and what it rests on."""

    level: float
    limit: float
    rate: Line | None
    levels: tuple[tuple[int, float], ...]

    @property
    def left(self) -> float | None:
        """Days to the limit; None where the rate is unknown or not surely a rise."""
        return None if self.rate is None or self.rate.least <= 0.0 else (self.limit - self.level) / self.rate.slope

    @property
    def severity(self) -> Severity:
        """Medium above the limit or shortly before."""
        return "medium" if self.level > self.limit or (self.left is not None and self.left < SOON) else "low"


class Sludge(NothingLearnt):
    """Kind ``sludge-build-up`` of a weir tank."""

    name: ClassVar[str] = "sludge"
    version: ClassVar[int] = 1
    kinds: ClassVar[frozenset[str]] = frozenset({"sludge-build-up"})
    unit_type: ClassVar[str] = "weir_tank"
    state: ClassVar[type[State]] = SludgeState
    learns: ClassVar[Learns] = Learns(roles=frozenset({"sludge_level"}))

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:  # noqa: ARG002
        """A gauge of the sludge."""
        if not unit.has("sludge_level"):
            return Coverage(frozenset(), missing=("sludge_level",))
        known = "outlet_height" in unit.params
        return Coverage(self.kinds, weaker=() if known else ("outlet_height: the margin to the outlet is not told",))

    def start(self, unit: UnitView, skid: SkidView) -> SludgeState:  # noqa: ARG002
        """Nothing read."""
        return SludgeState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:  # noqa: ARG002
        """Hourly medians in service."""
        assert isinstance(state, SludgeState)
        s, level = state.model_copy(), block.clean(unit.id, "sludge_level")
        usable = block.running & ~block.settling & np.isfinite(level)
        s.rest, ended = parts(s.rest, block.minutes, [level], usable, size=PART, enough=ENOUGH)
        on, off, looks = never(block.minutes), never(block.minutes), dict[int, Look]()
        for part in ended:
            if not _take(s, part):
                continue
            i, look = part.end - int(block.minutes[0]), _look(s, unit.limits["sludge_high"])
            looks[i], (on[i], off[i]) = look, _judge(s, look)
        s.episode, said = watch(
            block.minutes, on, off, s.episode, after=AFTER, until=AFTER,
            say=lambda i, onset: _draft(unit, int(block.minutes[i]), onset, looks[i]),
            again=lambda i, told: _again(unit, int(block.minutes[i]), told, looks.get(i)),
        )  # fmt: skip
        return s, said


PLUGIN = Sludge()


def _take(s: SludgeState, part: Part) -> bool:
    """Whether the hour gives a level; a step begins the levels anew."""
    assert part.middle[0] is not None
    near = (*(one for one in s.latest if part.end - one[0] <= LATELY), (part.end, part.middle[0]))
    s.latest = near[-MIDDLE:]
    if len(s.latest) < MIDDLE:
        return False
    level, at = median(one for _, one in s.latest), s.latest[MIDDLE // 2][0]
    if s.levels:
        before, last = s.levels[-1]
        if level < max(one for _, one in s.levels) - STEP:
            s.levels, s.drawn, s.jumped = (), True, None
        elif level > last + STEP and at - before <= 2 * PART:
            s.levels, s.drawn, s.jumped = (), False, at
    s.levels = (*s.levels, (at, level))[-KEPT:]
    return True


def _look(s: SludgeState, limit: float) -> Look:
    begin, end = s.levels[0][0], s.levels[-1][0]
    rate = None
    if len(s.levels) >= LEAST and end - begin >= TREND - PART:
        at = np.array([minute - begin for minute, _ in s.levels], dtype=np.float64) / 1440.0
        rate = theil_sen(at, np.array([[level for _, level in s.levels]]), cover=0.8)[0]
    return Look(s.levels[-1][1], limit, rate, s.levels)


def _judge(s: SludgeState, look: Look) -> tuple[bool, bool]:
    """(is there too much, or soon; is there certainly not)."""
    doubted = s.jumped is not None and look.levels[-1][0] - s.jumped < TREND
    high = look.level > look.limit and not doubted
    due = look.left is not None and look.left <= AHEAD and look.level >= FLOOR * look.limit
    calm = s.drawn if look.rate is None else look.left is None or look.left > CALM
    low = look.level < BACK * FLOOR * look.limit
    return high or due, low or (calm and look.level < BACK * look.limit)


def _again(unit: UnitView, minute: int, told: Draft, look: Look | None) -> Draft | None:
    """Anew when it has come to press, or the limit comes on quite another day."""
    if look is None:
        return None
    fresh = _draft(unit, minute, told.onset, look)
    if fresh.severity == "medium" and told.severity == "low":
        return fresh
    if fresh.forecast is None or told.forecast is None or told.severity == "medium":
        return None
    left = (fresh.forecast.when - moment(minute)).total_seconds()
    off = abs((fresh.forecast.when - told.forecast.when).total_seconds())
    return fresh if off > max(MOVED * left, 86400.0) else None


def _draft(unit: UnitView, minute: int, onset: int, look: Look) -> Draft:
    def metres(name: str, value: float) -> None:
        numbers.append(number(unit, "sludge_level", name, value, difference=True))

    numbers = [number(unit, "sludge_level", "sludge_level", look.level)]
    metres("sludge_limit", look.limit)
    if "outlet_height" in unit.params:
        metres("margin_to_outlet", unit.params["outlet_height"] - look.level)
    forecast = None
    if look.rate is not None:
        numbers.append(plain("sludge_rate", look.rate.slope, "m/d"))
        if look.left is not None and look.level < look.limit:
            numbers.append(plain("days_left", look.left, "d"))
            room, at = look.limit - look.level, look.levels[-1][0] + 1 - PART / 2
            when, low, high = (
                moment(at + 1440.0 * room / rate) for rate in (look.rate.slope, look.rate.most, look.rate.least)
            )
            forecast = Forecast(what="sludge limit", when=when, low=low, high=high)
        ruled_out = RuledOut(
            what="a step of the gauge", why="for two days no hour has moved it by more than sand can bring"
        )
    else:
        ruled_out = RuledOut(what="a tank that was stirred up", why="it has stood there for hours")
    return Draft(
        minute=minute,
        kind="sludge-build-up",
        run_key=str(onset),
        onset=onset,
        severity=look.severity,
        confidence=0.8 if look.level > look.limit else 0.7,
        unit=unit.id,
        evidence=Evidence(
            numbers=tuple(numbers),
            traces=(
                trace(unit, "sludge_level", "sludge_level", [m for m, _ in look.levels], [x for _, x in look.levels]),
            ),
        ),
        ruled_out=(ruled_out,),
        forecast=forecast,
        first_step=FIRST_STEP,
    )
