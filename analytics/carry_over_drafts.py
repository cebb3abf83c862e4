"""What is said of oil carry-over: which analysers tell of it, and the words and figures of a draft."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan
from typing import Final

from pydantic import BaseModel, ConfigDict

from analytics.conditions import Water, water_at
from analytics.detectors.base import Draft
from analytics.evidence import number, plain, trace
from analytics.tank_usual import TankReadings, Usual
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, Number, RuledOut, Trace
from skidhand.model.kinds import Severity

STEPS: Final = {
    "slug": "Suggest checking inlet flow and level control, and watching the filter, per site procedure.",
    "overload": "Suggest checking whether the inlet flow can be held lower, per site procedure.",
    "cold-feed": "Suggest checking the feed's temperature and the heat on the line, per site procedure.",
    "stuck-skim": "Suggest checking the skim valve and the oil line, per site procedure.",
    "own-return": "Suggest checking where the wash water returns and how fast, per site procedure.",
}
ANY_STEP: Final = "Suggest a sample at the tank outlet, and checking skim, level and chemical, per site procedure."
PARTNERS: Final = 2  # analysers downstream that are looked at


@dataclass(frozen=True, slots=True)
class Source:
    """One oil analyser: the unit and role that it stands under."""

    unit: UnitView
    role: str

    @property
    def tag(self) -> str:
        """Its tag."""
        return self.unit.tags[self.role]


@dataclass(frozen=True, slots=True)
class Tank:
    """The tank with what tells of it: the analyser of the water that leaves, and those further on, nearest first."""

    unit: UnitView
    source: Source
    others: tuple[Source, ...]
    water: Water


def tank_of(unit: UnitView, skid: SkidView) -> Tank | None:
    """Its own analyser, else the inlet of the nearest cyclone behind it; None without either."""
    after = [skid.by_id[name] for name in skid.after(unit.id)]
    choice = [Source(unit, "outlet_oil")] if unit.has("outlet_oil") else []
    choice += [Source(view, "inlet_oil") for view in after if view.has("inlet_oil")]
    if not choice:
        return None
    others: dict[str, Source] = {}
    for view in after:
        if view.has("outlet_oil") and view.tags["outlet_oil"] != choice[0].tag:
            others.setdefault(view.tags["outlet_oil"], Source(view, "outlet_oil"))
    return Tank(unit, choice[0], tuple(others.values())[:PARTNERS], water_at(unit, skid))


class Told(BaseModel):
    """What is said of the present carry-over, and the figures it was said on (they stay when it is over)."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    key: str
    onset: int
    cause: str | None
    severity: Severity
    now: TankReadings
    expected: float | None
    surged: bool
    downstream: bool


class Bin(TankReadings):
    """A bin with what was expected of it: mg/L, and ln of oil over expected."""

    expected: float | None = None
    excess: float | None = None


def draft(
    tank: Tank,
    usual: Usual | None,
    kept: Sequence[Bin],
    told: Told,
    minute: int,
    ended: int | None = None,
) -> Draft:
    """The draft of ``told`` at the end of ``minute``."""
    return Draft(
        minute=minute,
        kind="oil-carry-over",
        run_key=told.key,
        onset=told.onset,
        severity=told.severity,
        confidence=round(0.6 + 0.15 * told.surged + 0.15 * told.downstream, 2),
        unit=tank.unit.id,
        cause=told.cause,
        ended=ended,
        evidence=Evidence(numbers=tuple(_numbers(tank, usual, told)), traces=_traces(tank, kept)),
        ruled_out=tuple(_ruled_out(tank, usual, told)),
        first_step=STEPS.get(told.cause or "", ANY_STEP),
    )


def _numbers(tank: Tank, usual: Usual | None, told: Told) -> list[Number]:
    unit, source, others = tank.unit, tank.source, tank.others
    now, mid = told.now, TankReadings(minute=told.now.minute, down=(None,) * len(others))
    if usual is not None:
        mid = usual.middle
    figures: list[tuple[UnitView, str, str, float | None]] = [
        (source.unit, source.role, "oil", now.oil),
        (source.unit, source.role, "oil_expected", told.expected),
        (unit, "inlet_flow", "inlet_flow", now.flow),
        (unit, "inlet_flow", "inlet_flow_usual", mid.flow),
        (unit, "level", "level", now.level),
        (unit, "level", "level_usual", mid.level),
        (unit, "level", "oil_pad", now.pad),
        (unit, "temperature", "temperature", now.celsius if unit.has("temperature") else None),
    ]
    for i, other in enumerate(others):
        figures.append((other.unit, other.role, f"oil_after_{other.unit.id}", now.down[i]))
        figures.append((other.unit, other.role, f"oil_after_{other.unit.id}_usual", mid.down[i]))
    found = [
        number(view, role, name, value, difference=name == "oil_pad")
        for view, role, name, value in figures
        if value is not None
    ]
    return found if usual is None else [*found, plain("slope_of_oil_in_load", usual.slope)]


def _traces(tank: Tank, kept: Sequence[Bin]) -> tuple[Trace, ...]:
    unit, source, others = tank.unit, tank.source, tank.others
    minutes = [b.minute for b in kept]
    columns: list[tuple[UnitView, str, str, list[float | None]]] = [
        (source.unit, source.role, "oil", [b.oil for b in kept]),
        (source.unit, source.role, "oil_expected", [b.expected for b in kept]),
        (unit, "inlet_flow", "inlet_flow", [b.flow for b in kept]),
        *((o.unit, o.role, f"oil_after_{o.unit.id}", [b.down[i] for b in kept]) for i, o in enumerate(others)),
    ]
    return tuple(
        trace(view, role, name, minutes, [nan if v is None else v for v in values])
        for view, role, name, values in columns
        if any(v is not None for v in values)
    )


def _ruled_out(tank: Tank, usual: Usual | None, told: Told) -> list[RuledOut]:
    now, found, tag = told.now, list[RuledOut](), tank.source.tag
    if usual is None:
        return [RuledOut(what="nothing", why="what this tank usually gives is not learnt yet; it is above its limit")]
    if now.flow and usual.middle.flow and told.expected:
        moved = f"{100 * (now.flow / usual.middle.flow - 1):+.0f} %"
        more = f"{now.oil / told.expected:.1f}" if now.oil else "?"
        found.append(RuledOut(what="a flow step", why=f"flow is {moved}; oil is {more} times what that explains"))
    if told.downstream:
        found.append(RuledOut(what=f"{tag} alone", why="an oil analyser further on has risen with it"))
    elif told.surged:
        found.append(RuledOut(what=f"{tag} alone", why="the inlet flow surged before it"))
    elif not tank.others:
        found.append(RuledOut(what=f"a fouled {tag}", why="it rose within two hours; fouling takes longer"))
    return found
