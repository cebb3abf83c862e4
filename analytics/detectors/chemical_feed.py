"""Chemical that is not dosed, dosed too much, or runs out (docs/detectors/chemical_feed.md)."""

from __future__ import annotations

from typing import ClassVar, Final

import numpy as np
from pydantic import Field

from analytics.bins import Part, Rows, parts
from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.episodes import Episode, never, ordered, watch
from analytics.evidence import moment, number, plain
from analytics.frame import Block
from analytics.learnt import medians
from analytics.lines import theil_sen
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, Forecast, Number, RuledOut

# Common practice, no source.
PART: Final = 5  # minutes
ENOUGH: Final = 3
LEARN: Final = 72  # parts that make a usual: 6 h of dosing
LOST: Final = 0.5  # of the usual dose at this command
MUCH: Final = 1.5  # times the usual dose
AFTER: Final = 11  # minutes of no dose
LONG: Final = 61  # minutes of too much
ASKED: Final = 5.0  # % of command from which a dose is asked for
HOURS: Final = 48  # hourly levels kept for the rate
LEAST: Final = 6  # of them that make a rate
STEPS: Final = {
    "chemical-feed-lost": "Suggest checking the dosing pump, its prime and the chemical's level, per site procedure.",
    "overdose": "Suggest checking the dosing pump's setting, per site procedure.",
    "chemical-low": "Suggest ordering chemical, per site procedure.",
}
Middle = tuple[float | None, ...]


class DoseState(State):
    """Minutes of the part under way; parts that are learnt; the usual dose and command; (hour, level)."""

    rest: Rows = ()
    learning: tuple[Middle, ...] = ()
    usual: Middle | None = None
    levels: tuple[tuple[int, float], ...] = ()
    by: dict[str, Episode] = Field(default_factory=dict)


class ChemicalFeed:
    """Kinds ``chemical-feed-lost``, ``overdose`` and ``chemical-low`` of a chemical tank with its pump."""

    name: ClassVar[str] = "chemical_feed"
    version: ClassVar[int] = 1
    kinds: ClassVar[frozenset[str]] = frozenset({"chemical-feed-lost", "overdose", "chemical-low"})
    unit_type: ClassVar[str] = "chemical"
    state: ClassVar[type[State]] = DoseState
    learns: ClassVar[Learns] = Learns(roles=frozenset({"dose_flow", "dose_command"}))

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:  # noqa: ARG002
        """The dose for what is dosed, the level for what is left."""
        kinds = (["chemical-feed-lost", "overdose"] if unit.has("dose_flow") else []) + (
            ["chemical-low"] if unit.has("level") else []
        )
        missing = tuple(
            f"{r}: {c}" for r, c in (("dose_flow", "the dose"), ("level", "what is left")) if not unit.has(r)
        )
        weaker = () if unit.has("dose_command") else ("dose_command: a dose that is turned down looks lost",)
        return Coverage(frozenset(kinds), missing=missing, weaker=weaker)

    def start(self, unit: UnitView, skid: SkidView) -> DoseState:  # noqa: ARG002
        """Nothing learnt."""
        return DoseState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:  # noqa: ARG002
        """Medians of five minutes."""
        assert isinstance(state, DoseState)
        s, look = state.model_copy(), _Look(unit, block)
        columns = [block.clean(unit.id, role) for role in ("dose_flow", "dose_command", "level")]
        columns.append(np.where(block.running & ~(block.clean(unit.id, "running") == 0), 1.0, 0.0))
        usable = np.any([np.isfinite(c) for c in columns[:3]], axis=0)
        s.rest, ended = parts(s.rest, block.minutes, columns, usable, size=PART, enough=ENOUGH)
        for part in ended:
            look.take(s, part)
        s.by, drafts = dict(s.by), list[Draft]()
        for kind, after in (("chemical-feed-lost", AFTER), ("overdose", LONG), ("chemical-low", LONG)):
            s.by[kind], said = watch(
                block.minutes, look.masks[kind, "on"], look.masks[kind, "off"], s.by.get(kind, Episode()),
                after=after, until=after, say=lambda i, onset, k=kind: look.draft(i, onset, k),  # type: ignore[misc]
            )  # fmt: skip
            drafts += said
        return s, ordered(drafts)

    def progress(self, unit: UnitView, state: State) -> Progress | None:
        """The usual dose; what is left in the tank needs none."""
        assert isinstance(state, DoseState)
        waits = state.usual is None and unit.has("dose_flow")
        return Progress(len(state.learning) * PART / 60, LEARN * PART / 60) if waits else None


PLUGIN = ChemicalFeed()


class _Look:
    """One block of one chemical tank."""

    def __init__(self, unit: UnitView, block: Block) -> None:
        self.unit, self.block = unit, block
        self.masks = {(kind, what): never(block.minutes) for kind in STEPS for what in ("on", "off")}
        self.seen: dict[int, tuple[Middle, float | None, tuple[float, float, float] | None]] = {}

    def take(self, s: DoseState, part: Part) -> None:
        """Judge one part, and learn from it."""
        i, (dose, command, level, serves) = part.end - int(self.block.minutes[0]), part.middle
        if level is not None and (not s.levels or part.end // 60 != s.levels[-1][0]):
            refilled = bool(s.levels) and level > 1.1 * s.levels[-1][1]
            s.levels = (*(() if refilled else s.levels), (part.end // 60, level))[-HOURS:]
        expected = None
        if serves and dose is not None and (command is None or command > ASKED):
            expected = self._expected(s.usual, command)
            if expected is None:
                s.learning = (*s.learning, part.middle)
                if len(s.learning) == LEARN:
                    s.usual, s.learning = medians(s.learning), ()
            else:
                self._mark("chemical-feed-lost", i, dose < LOST * expected, dose > 0.7 * expected)
                self._mark("overdose", i, dose > MUCH * expected, dose < 1.2 * expected)
        left = self._days(s, level)
        if left is not None:
            low = self.unit.limits["days_low"]
            self._mark("chemical-low", i, left[0] < low, left[0] > 1.2 * low)
        self.seen[i] = part.middle, expected, left

    def _mark(self, kind: str, i: int, on: bool, off: bool) -> None:
        self.masks[kind, "on"][i], self.masks[kind, "off"][i] = on, off

    @staticmethod
    def _expected(usual: Middle | None, command: float | None) -> float | None:
        """L/h that the pump gave at such a command."""
        if usual is None or not usual[0]:
            return None
        return usual[0] * (command / usual[1] if command is not None and usual[1] else 1.0)

    def _days(self, s: DoseState, level: float | None) -> tuple[float, float, float] | None:
        """Days left (likely, least, most) at the rate of the last two days."""
        if level is None or len(s.levels) < LEAST:
            return None
        at = np.array([hour for hour, _ in s.levels], dtype=np.float64) / 24.0
        line = theil_sen(at, np.array([[x for _, x in s.levels]]), cover=0.8)[0]
        if line.slope >= 0:
            return None
        slow = level / -line.most if line.most < 0 else 10.0 * level / -line.slope
        return level / -line.slope, level / -line.least, slow

    def draft(self, i: int, onset: int, kind: str) -> Draft:
        """What is said at position ``i``."""
        (dose, command, level, _), expected, left = self.seen[i]
        minute = int(self.block.minutes[i])
        numbers: list[Number] = []
        forecast = None
        if kind == "chemical-low":
            assert left is not None
            assert level is not None
            numbers = [number(self.unit, "level", "level", level), plain("days_left", left[0], "d")]
            numbers.append(plain("days_left_limit", self.unit.limits["days_low"], "d"))
            when, low, high = (moment(minute + 1 + 1440.0 * days) for days in left)
            forecast = Forecast(what="empty", when=when, low=low, high=high)
            ruled_out = RuledOut(what="a delivery", why="the level has only fallen since the last one")
        else:
            assert dose is not None
            assert expected is not None
            numbers = [
                number(self.unit, "dose_flow", "dose", dose),
                number(self.unit, "dose_flow", "dose_expected", expected),
            ]
            if command is not None:
                numbers.append(number(self.unit, "dose_command", "command", command))
            ruled_out = RuledOut(what="another setting", why="the dose is compared with what this command gave before")
        return Draft(
            minute=minute,
            kind=kind,
            run_key=str(onset),
            onset=onset,
            severity="high" if kind == "chemical-low" and left and left[0] < 1.0 else "medium",
            confidence=0.85,
            unit=self.unit.id,
            evidence=Evidence(numbers=tuple(numbers)),
            ruled_out=(ruled_out,),
            forecast=forecast,
            first_step=STEPS[kind],
        )
