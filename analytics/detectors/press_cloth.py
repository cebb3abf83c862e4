"""A filter press whose cloth is blinded or torn (docs/detectors/press_cloth.md).

Filtration through cloth and cake: pressure over flow is a straight line in the volume that has passed, its intercept
the cloth's resistance and its slope the cake's (Ruth's equation for constant pressure, which holds at any pressure
when the cake is incompressible: µ(Rm + αc·V/A)/A). A cycle gives one line; it is compared with the press's own.
"""

from __future__ import annotations

from dataclasses import replace
from math import isfinite
from statistics import median
from typing import ClassVar, Final

from pydantic import BaseModel, ConfigDict, Field

from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.evidence import plain
from analytics.frame import F64, Block
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, RuledOut

# Common practice, no source.
LEARN: Final = 3  # cycles that make the press's own line
SHORT: Final = 20  # minutes below which a cycle tells nothing
BLINDED: Final = 0.15  # share of the resistance at the end of a usual cycle that a cloth must have gained
TORN: Final = 0.5  # of the usual slope
SLIMY: Final = 1.5  # times the usual slope: the sludge, not the cloth
LAST: Final = {"cloth-blinding": 2, "cloth-torn": 1}  # cycles in a row
BACK: Final = 2  # cycles as usual that end it
OPEN: Final = 5  # minutes not pressing that end a cycle
STEPS: Final = {
    "cloth-blinding": "Suggest washing the cloth and checking the sludge's conditioning, per site procedure.",
    "cloth-torn": "Suggest looking at the filtrate and the cloth at the next opening, per site procedure.",
}


class Cycle(BaseModel):
    """One cycle: minutes ``first`` to ``last``, m³ passed, and the sums of a straight line of kPa·h/m³ in m³."""

    model_config = ConfigDict(extra="forbid")

    first: int
    last: int
    volume: float = 0.0
    sums: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)  # n, x, y, xx, xy
    whole: bool = True


class Line(BaseModel):
    """What a cycle says: resistance of the cloth (kPa·h/m³), of the cake a m³, m³ passed, minutes."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    cloth: float
    cake: float
    volume: float
    minutes: int


class PressState(State):
    """The cycle under way, the press's own line, the cycles beyond it in a row, and what was said by kind."""

    cycle: Cycle | None = None
    learning: tuple[Line, ...] = ()
    usual: Line | None = None
    since: dict[str, tuple[int, int]] = Field(default_factory=dict)  # kind → (first minute, cycles in a row)
    back: dict[str, int] = Field(default_factory=dict)
    told: dict[str, Draft] = Field(default_factory=dict)
    seen: bool = False  # a minute in which the press stood open


class PressCloth:
    """Kinds ``cloth-blinding`` and ``cloth-torn`` of a filter press."""

    name: ClassVar[str] = "press_cloth"
    version: ClassVar[int] = 2
    kinds: ClassVar[frozenset[str]] = frozenset(STEPS)
    unit_type: ClassVar[str] = "filter_press"
    state: ClassVar[type[State]] = PressState
    learns: ClassVar[Learns] = Learns(roles=frozenset({"feed_pressure", "feed_flow"}))

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:  # noqa: ARG002
        """Pressure, flow and the cycle's state."""
        missing = tuple(role for role in ("feed_pressure", "feed_flow", "cycle") if not unit.has(role))
        return Coverage(frozenset(), missing=missing) if missing else Coverage(self.kinds)

    def start(self, unit: UnitView, skid: SkidView) -> PressState:  # noqa: ARG002
        """Nothing learnt."""
        return PressState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:  # noqa: ARG002
        """Minute by minute while it presses; judged at the end of a cycle."""
        assert isinstance(state, PressState)
        s = state.model_copy(deep=True)
        cycle = block.clean(unit.id, "cycle")
        pressure, flow = block.clean(unit.id, "feed_pressure"), block.clean(unit.id, "feed_flow")
        drafts = list[Draft]()
        if s.cycle is None and not (cycle > 0.5).any():
            s.seen = s.seen or bool((cycle <= 0.5).any())
            return s, drafts
        for minute, on, p, q in _rows(block, cycle, pressure, flow):
            if on is None:
                continue
            if on:
                s.cycle = s.cycle or Cycle(first=minute, last=minute, whole=s.seen)
                _pass(s.cycle, minute, p, q)
            elif s.cycle is not None and minute - s.cycle.last >= OPEN:
                drafts += _end(unit, s, minute)
            s.seen = s.seen or not on
        return s, drafts

    def progress(self, unit: UnitView, state: State) -> Progress | None:  # noqa: ARG002
        """Cycles of the press's own line."""
        assert isinstance(state, PressState)
        return Progress(len(state.learning), LEARN, "runs") if state.usual is None else None


PLUGIN = PressCloth()


def _rows(block: Block, cycle: F64, pressure: F64, flow: F64) -> list[tuple[int, bool | None, float, float]]:
    state = [None if not isfinite(c) else c > 0.5 for c in cycle.tolist()]
    return list(zip(block.minutes.tolist(), state, pressure.tolist(), flow.tolist(), strict=True))


def _pass(cycle: Cycle, minute: int, pressure: float, flow: float) -> None:
    """Take one minute of pressing into the line."""
    if minute - cycle.last > OPEN:
        cycle.whole = False  # minutes are missing, and with them volume
    cycle.last = minute
    if not (isfinite(pressure) and isfinite(flow)) or flow <= 0.0 or minute == cycle.first:
        return  # the first minute is only partly pressed
    x, y = cycle.volume + flow / 120.0, pressure / flow
    n, sx, sy, sxx, sxy = cycle.sums
    cycle.sums = (n + 1.0, sx + x, sy + y, sxx + x * x, sxy + x * y)
    cycle.volume += flow / 60.0


def _line(cycle: Cycle) -> Line | None:
    n, sx, sy, sxx, sxy = cycle.sums
    spread = n * sxx - sx * sx
    if not cycle.whole or n < SHORT or spread <= 0.0:
        return None
    slope = (n * sxy - sx * sy) / spread
    return Line(cloth=(sy - slope * sx) / n, cake=slope, volume=cycle.volume, minutes=cycle.last - cycle.first + 1)


def _end(unit: UnitView, s: PressState, minute: int) -> list[Draft]:
    assert s.cycle is not None
    cycle, line = s.cycle, _line(s.cycle)
    s.cycle = None
    if line is None:
        return []
    if s.usual is None:
        s.learning = (*s.learning, line)
        if len(s.learning) == LEARN:
            middle = {name: median(getattr(one, name) for one in s.learning) for name in Line.model_fields}
            s.usual, s.learning = Line(**{**middle, "minutes": round(middle["minutes"])}), ()
        return []
    holds = _judge(line, s.usual)
    return [d for kind in STEPS if (d := _follow(unit, s, kind, kind == holds, cycle, line, minute)) is not None]


def _judge(line: Line, usual: Line) -> str | None:
    """The kind that the cycle tells, or None."""
    final = usual.cloth + usual.cake * usual.volume
    blinded = line.cloth - usual.cloth > BLINDED * final
    if line.cake < TORN * usual.cake:
        return None if blinded else "cloth-torn"  # a cloth that held much back at first was washed, not torn
    return "cloth-blinding" if blinded and line.cake < SLIMY * usual.cake else None


def _follow(
    unit: UnitView, s: PressState, kind: str, holds: bool, cycle: Cycle, line: Line, minute: int
) -> Draft | None:
    told = s.told.get(kind)
    if told is not None:
        s.back[kind] = 0 if holds else s.back.get(kind, 0) + 1
        if s.back[kind] < BACK:
            return None
        del s.told[kind], s.back[kind]
        return replace(told, minute=minute, ended=max(cycle.first, told.onset))
    if not holds:
        s.since.pop(kind, None)
        return None
    first, count = s.since.get(kind, (cycle.first, 0))
    s.since[kind] = (first, count + 1)
    if count + 1 < LAST[kind]:
        return None
    del s.since[kind]
    assert s.usual is not None
    s.told[kind] = _draft(unit, kind, first, minute, line, s.usual)
    return s.told[kind]


def _draft(unit: UnitView, kind: str, onset: int, minute: int, line: Line, usual: Line) -> Draft:
    numbers = [
        plain("cloth_resistance", line.cloth, "kPa.h/m3"),
        plain("cloth_resistance_usual", usual.cloth, "kPa.h/m3"),
        plain("cake_resistance", line.cake, "kPa.h/m6"),
        plain("cake_resistance_usual", usual.cake, "kPa.h/m6"),
        plain("filtrate_in_the_cycle", line.volume, "m3"),
        plain("filtrate_usual", usual.volume, "m3"),
        plain("cycle", float(line.minutes), "min"),
        plain("cycle_usual", float(usual.minutes), "min"),
    ]
    if kind == "cloth-torn":
        ruled_out = RuledOut(what="a short batch", why="at the same volume the cake holds the flow up far less")
    else:
        ruled_out = RuledOut(what="slimy sludge", why="each m3 adds no more resistance than usual; the cloth has it")
    return Draft(
        minute=minute,
        kind=kind,
        run_key=str(onset),
        onset=onset,
        severity="medium",
        confidence=0.8,
        unit=unit.id,
        evidence=Evidence(numbers=tuple(numbers)),
        ruled_out=(ruled_out,),
        first_step=STEPS[kind],
    )
