"""A tank that fills up or runs empty beyond what it usually does, and when (docs/detectors/tank_level.md).

The level of half an hour gives a rate, the rate a time to full or empty with an interval. Most tanks go up and down by
design, so that nothing is said within the band that the tank kept in the last days. While data are lost the last rate
goes on: a tank fills whether it is seen or not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Final

import numpy as np
from pydantic import Field

from analytics.bins import Part, Rows, latest, parts
from analytics.cleaning import speaks_of_changes
from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.episodes import Episode, never, ordered, watch
from analytics.evidence import moment, number, plain, trace
from analytics.frame import Block
from analytics.lines import theil_sen
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, Forecast, RuledOut

# Common practice, no source, unless said otherwise.
PART: Final = 5  # minutes
ENOUGH: Final = 1  # usable minutes in a part
TREND: Final = 7  # parts that the rate is taken from: half an hour
KEPT: Final = 72  # parts kept for the trace
BAND: Final = 72  # hours whose levels are usual
LEARN: Final = 24  # hours before there is a usual band
BEYOND: Final = 0.03  # of the tank's span, by which it must leave the band
WARN: Final = 240.0  # minutes to full or empty that are spoken of
UNLEARNT: Final = 60.0  # the same before there is a band
RATE: Final = 0.02  # of the span an hour, below which a level stands still
LOST: Final = 20  # minutes without a level after which the last rate is carried on
CARRIED: Final = 720  # minutes for which it is
AFTER: Final = 15  # minutes that it must last
RETURN: Final = 90  # minutes after a filter's wash, or a stop of what feeds it, for which only the last hour counts
DUE: Final = 0.9  # of the span, at which a tank that trucks empty has been left, if it was not so full lately
LATELY: Final = 12  # hours before which its levels are those of earlier loads
MOVED: Final = 0.5  # of the time left by which a forecast must move to be said again
STEPS: Final = {
    "tank-filling": "Suggest checking what feeds the tank and where it can go, per site procedure.",
    "tank-emptying": "Suggest checking what draws on the tank and what feeds it, per site procedure.",
}
EMPTIED: Final = frozenset({"oil", "waste", "sludge"})  # tanks that a truck empties, to everybody's content
TANKS: Final = ("weir_tank", "buffer_tank")


class TankState(State):
    """``rest``: minutes of the part under way; ``kept``: (last minute, level); ``hours``: (hour, low, high)."""

    rest: Rows = ()
    kept: tuple[tuple[int, float], ...] = ()
    hours: tuple[tuple[int, float, float], ...] = ()
    washed: int | None = None
    stood: int | None = None
    by: dict[str, Episode] = Field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Ends:
    """Levels at which the tank is full and empty, m; ``high``/``low`` count whatever the rate."""

    full: float
    empty: float
    high: float | None
    low: float | None

    @property
    def span(self) -> float:
        """m between them."""
        return self.full - self.empty


@dataclass(frozen=True, slots=True)
class Look:
    """How the level stands at a moment: m, m/h with its 80 % interval, minutes since it was read."""

    level: float
    rate: float
    least: float
    most: float
    age: int


class TankLevel:
    """Kinds ``tank-filling`` and ``tank-emptying`` of any tank with a level."""

    name: ClassVar[str] = "tank_level"
    version: ClassVar[int] = 3
    kinds: ClassVar[frozenset[str]] = frozenset({"tank-filling", "tank-emptying"})
    unit_type: ClassVar[str] = "*"
    state: ClassVar[type[State]] = TankState
    learns: ClassVar[Learns] = Learns(roles=frozenset({"level"}))

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:  # noqa: ARG002
        """A level, and what full is."""
        if unit.type.name not in TANKS:
            return Coverage(frozenset())
        if not unit.has("level"):
            return Coverage(frozenset(), missing=("level",))
        kinds = self.kinds - {"tank-emptying"} if unit.holds in EMPTIED else self.kinds
        return Coverage(kinds, weaker=() if "height" in unit.params else ("height: full is the top of the range",))

    def start(self, unit: UnitView, skid: SkidView) -> TankState:  # noqa: ARG002
        """Nothing read."""
        return TankState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:  # noqa: ARG002
        """Judged at the end of every fifth minute, with or without a level in it."""
        assert isinstance(state, TankState)
        s, level = state.model_copy(), block.clean(unit.id, "level")
        s.by = dict(s.by)
        s.rest, ended = parts(s.rest, block.minutes, [level], np.isfinite(level), size=PART, enough=ENOUGH)
        return s, _Pass(unit, block, s).go({part.end: part for part in ended})

    def progress(self, unit: UnitView, state: State) -> Progress | None:  # noqa: ARG002
        """The band of the last day; what would be full or empty within the hour is told before."""
        assert isinstance(state, TankState)
        return Progress(len(state.hours), LEARN) if len(state.hours) < LEARN else None


PLUGIN = TankLevel()


def ends_of(unit: UnitView) -> Ends:
    """From the unit's parameters and limits, else from the level's range."""
    span = unit.instruments["level"].range
    top = 3.0 if span is None else _metres(unit, span[1])
    full = unit.params.get("height", unit.limits.get("level_high", top))
    empty = unit.limits.get("level_low", unit.params.get("outlet_height", 0.0))
    return Ends(full, min(empty, full - 0.1), unit.limits.get("level_high"), unit.limits.get("level_low"))


def _metres(unit: UnitView, value: float) -> float:
    one, _ = unit.shown("level", 1.0)
    return value / one


class _Pass:
    """One block of one tank."""

    def __init__(self, unit: UnitView, block: Block, s: TankState) -> None:
        self.unit, self.block, self.s, self.ends = unit, block, s, ends_of(unit)
        self.sides: tuple[tuple[str, int], ...] = (
            (("tank-filling", 1),) if unit.holds in EMPTIED else (("tank-filling", 1), ("tank-emptying", -1))
        )
        self.looks: dict[int, Look] = {}
        washing = np.any([never(block.minutes), *block.washing.values()], axis=0)
        self.washed = [-RETURN if m is None else m for m in latest(block.minutes, washing, s.washed)]
        s.washed = self.washed[-1] if self.washed[-1] >= 0 else None
        self.stood = [-RETURN if m is None else m for m in latest(block.minutes, ~block.running, s.stood)]
        s.stood = self.stood[-1] if self.stood[-1] >= 0 else None
        self.traces: dict[int, tuple[tuple[int, float], ...]] = {}

    def go(self, ended: dict[int, Part]) -> list[Draft]:
        """Walk over the fifth minutes, then let the episodes speak."""
        masks = {(kind, what): never(self.block.minutes) for kind in STEPS for what in ("on", "off")}
        for i in np.flatnonzero(self.block.minutes % PART == PART - 1).tolist():
            minute = int(self.block.minutes[i])
            if (part := ended.get(minute)) is not None and part.middle[0] is not None:
                self._take(minute, part.middle[0])
            look = self._look(minute)
            if look is None:
                continue
            self.looks[i], self.traces[i] = look, self.s.kept
            for kind, side in self.sides:
                masks[kind, "on"][i], masks[kind, "off"][i] = self._judge(look, side, minute)
        drafts = list[Draft]()
        for kind, side in self.sides:
            self.s.by[kind], said = watch(
                self.block.minutes, masks[kind, "on"], masks[kind, "off"], self.s.by.get(kind, Episode()),
                after=AFTER, until=3 * AFTER,
                say=lambda i, onset, k=kind, d=side: self._draft(i, onset, k, d),  # type: ignore[misc]
                again=lambda i, told, k=kind, d=side: self._again(i, told, k, d),  # type: ignore[misc]
            )  # fmt: skip
            drafts += said
        return ordered(drafts)

    def _take(self, minute: int, level: float) -> None:
        self.s.kept = (*self.s.kept, (minute, level))[-KEPT:]
        hours, hour = self.s.hours, minute // 60
        low, high = (
            (min(hours[-1][1], level), max(hours[-1][2], level)) if hours and hours[-1][0] == hour else (level, level)
        )
        earlier = hours[:-1] if hours and hours[-1][0] == hour else hours
        self.s.hours = (*earlier, (hour, low, high))[-BAND:]

    def _look(self, minute: int) -> Look | None:
        due = bool(self.s.kept) and self._due(self.s.kept[-1][1], minute)
        kept = self.s.kept if due else self.s.kept[-TREND:]  # a tank that drops fill: hours tell its rate
        if len(kept) < TREND or minute - kept[-1][0] > CARRIED or kept[-1][0] - kept[0][0] > 2 * len(kept) * PART:
            return None
        rough = 60.0 * (kept[-1][1] + kept[-2][1] - kept[0][1] - kept[1][1]) / 2.0 / (kept[-1][0] - kept[0][0])
        if abs(rough) < 0.4 * RATE * self.ends.span and not due:  # it stands still: no need to look closer
            return Look(kept[-1][1], rough, rough, rough, minute - kept[-1][0])
        at = np.array([m for m, _ in kept], dtype=np.float64) / 60.0
        line = theil_sen(at, np.array([[level for _, level in kept]]), cover=0.8)[0]
        age = minute - kept[-1][0]
        level = float(np.median([level for _, level in kept[-3:]]))
        carried = line.slope * age / 60.0 if age >= LOST else 0.0
        return Look(level + carried, line.slope, line.least, line.most, age)

    def _judge(self, look: Look, side: int, minute: int) -> tuple[bool, bool]:
        """(is it filling or emptying beyond the usual, is it certainly not)."""
        ends, rate = self.ends, side * look.rate
        limit = ends.high if side > 0 else ends.low
        over = limit is not None and side * (look.level - limit) > 0 and look.age < LOST
        over = over or (look.age < LOST and self._due(look.level, minute))
        moves = rate > RATE * ends.span and side * (look.least if side > 0 else look.most) > 0
        fetched = self.unit.holds in EMPTIED and look.level < ends.empty + (DUE - 0.1) * ends.span
        gone = not over and (rate < RATE * ends.span / 2.0 or fetched) and look.age < LOST
        if not moves:
            return over, gone
        left = self._minutes(look, side)[0]
        i = minute - int(self.block.minutes[0])
        # Behind a skid that stands nothing comes: that its tank runs down is the stop's doing, and that is known.
        unfed = side < 0 and bool(self.unit.upstream) and self.stood[i] > minute - RETURN
        if self.washed[i] > minute - RETURN or unfed:
            left = left if left <= UNLEARNT else np.inf
        learnt = [h for h in self.s.hours if h[0] < minute // 60 - 1]
        if len(learnt) >= LEARN:
            usual = max(h[2] for h in learnt) if side > 0 else min(h[1] for h in learnt)
            near = left <= WARN and side * (look.level - usual) > BEYOND * ends.span
        else:
            near = left <= UNLEARNT and look.age < LOST
        return over or near, gone

    def _due(self, level: float, minute: int) -> bool:
        """No truck came: a tank that trucks empty is nearly full, and was not when it was emptied last."""
        if self.unit.holds not in EMPTIED or level < self.ends.empty + DUE * self.ends.span:
            return False
        earlier = [h[2] for h in self.s.hours if h[0] < minute // 60 - LATELY]
        return level > max(earlier, default=-np.inf) + BEYOND * self.ends.span

    def _minutes(self, look: Look, side: int) -> tuple[float, float, float]:
        """Minutes to the end: likely, least, most."""
        room = max(0.0, self.ends.full - look.level if side > 0 else look.level - self.ends.empty)
        fast, slow = (look.most, look.least) if side > 0 else (-look.least, -look.most)
        likely, soon, late = (60.0 * room / r if r > 1e-9 else np.inf for r in (side * look.rate, fast, slow))
        return likely, min(soon, likely), min(max(late, likely), 10.0 * likely)

    def _again(self, i: int, told: Draft, kind: str, side: int) -> Draft | None:
        """Anew when it has become severe, or the end comes at quite another time."""
        if i not in self.looks:
            return None
        fresh = self._draft(i, told.onset, kind, side)
        worse = fresh.severity == "high" != told.severity
        if fresh.forecast is None or told.forecast is None or told.severity == "high":
            return fresh if worse else None
        left = (fresh.forecast.when - moment(fresh.minute)).total_seconds()
        off = abs((fresh.forecast.when - told.forecast.when).total_seconds())
        return fresh if worse or off > max(MOVED * left, 1800.0) else None

    def _draft(self, i: int, onset: int, kind: str, side: int) -> Draft:
        look, minute = self.looks[i], int(self.block.minutes[i])
        likely, soon, late = self._minutes(look, side)
        word = "full" if side > 0 else "empty"
        end = self.ends.full if side > 0 else self.ends.empty
        numbers = [
            number(self.unit, "level", "level", look.level),
            number(self.unit, "level", f"level_{word}", end),
            plain("level_rate", look.rate, "m/h"),
        ]
        forecast = None
        slow = look.level < end and look.least > 0 and self._due(look.level, minute)
        if side * look.rate > RATE * self.ends.span or slow:
            numbers.append(plain(f"time_to_{word}", likely / 60.0, "h"))
            when, low, high = (moment(minute + 1 + m) for m in (likely, soon, late))
            forecast = Forecast(what=word, when=when, low=low, high=high)
        if look.age >= LOST:
            numbers.append(plain("level_not_read_for", float(look.age), "min"))
        kept = self.traces[i]
        ruled_out = [RuledOut(what="its usual ups and downs", why="the level is beyond what it kept in the last days")]
        if not speaks_of_changes(self.unit.instruments["level"]):
            ruled_out.append(RuledOut(what="a frozen level", why="frozen minutes are left out, and this level moves"))
        return Draft(
            minute=minute,
            kind=kind,
            run_key=str(onset),
            onset=onset,
            severity="high" if likely < 60.0 else "medium",
            confidence=0.85 if look.age < LOST else 0.6,
            unit=self.unit.id,
            evidence=Evidence(
                numbers=tuple(numbers),
                traces=(trace(self.unit, "level", "level", [m for m, _ in kept], [x for _, x in kept]),),
            ),
            ruled_out=tuple(ruled_out),
            forecast=forecast,
            first_step=STEPS[kind],
        )
