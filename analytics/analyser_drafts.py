"""Where an oil or turbidity analyser stands in the train, and what is said of one that drifts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan
from typing import Final

from pydantic import BaseModel, ConfigDict

from analytics.detectors.base import Draft
from analytics.evidence import number, plain, trace
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, RuledOut

MEASURED: Final = ("mg/L", "{NTU}")
FLOWS: Final = ("flow", "inlet_flow", "feed_flow")
STEP: Final = "Suggest a sample to compare with, then cleaning the analyser's window, per site procedure."


class Bin(BaseModel):
    """Medians of half an hour, None where unknown: the reading, flow m³/h, viscosity to 25 °C, partners' readings,
    and the largest drop of the filters before it as a share of their terminal drop; behind a cyclone its reject ratio.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    minute: int
    reading: float
    flow: float | None
    viscosity: float
    fouled: float | None
    reject: float | None
    partners: tuple[float | None, ...]


class Told(BaseModel):
    """What is said of the drift, and the figures it was said on (they stay when it is over)."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    onset: int
    now: Bin
    usual: Bin


@dataclass(frozen=True, slots=True)
class Place:
    """Where an analyser stands: unit and role of itself, its partners and its flow, and the filters before it."""

    unit: UnitView
    role: str
    partners: tuple[tuple[UnitView, str], ...]
    flow: tuple[UnitView, str] | None
    filters: tuple[UnitView, ...]


def places_of(unit: UnitView, skid: SkidView) -> list[Place]:
    """The analysers of ``unit`` whose tag no earlier unit has."""
    earlier = set[str]()
    for other in skid.units:
        if other.id == unit.id:
            break
        earlier.update(other.tags.values())
    return [_place(unit, role, skid) for role in _analysers(unit) if unit.tags[role] not in earlier]


def _analysers(unit: UnitView) -> list[str]:
    return [role for role in unit.tags if unit.type.roles[role].unit in MEASURED]


def _place(unit: UnitView, role: str, skid: SkidView) -> Place:
    before = [skid.by_id[name] for name in skid.before(unit.id)]
    after = [skid.by_id[name] for name in skid.after(unit.id)]
    partners: dict[str, tuple[UnitView, str]] = {}
    for view in (unit, *before, *after):
        for other in _analysers(view):
            if view.tags[other] != unit.tags[role]:
                partners.setdefault(view.tags[other], (view, other))
    beds = list[UnitView]()
    for view in (unit, *before):
        if view is not unit and _analysers(view):
            break  # what broke through earlier is seen by a partner
        if view.type.name == "media_filter":
            beds.append(view)
    flow = next(((v, r) for v in (unit, *before) for r in FLOWS if v.has(r)), None)
    return Place(unit, role, tuple(partners.values()), flow, tuple(beds))


def draft(place: Place, kept: Sequence[Bin], told: Told, minute: int, ended: int | None = None) -> Draft:
    """The draft of ``told`` at the end of ``minute``; ``kept`` are the bins to show."""
    unit, role = place.unit, place.role
    numbers = [
        number(unit, role, "reading", told.now.reading),
        number(unit, role, "reading_usual", told.usual.reading),
        plain("reading_over_usual", told.now.reading / told.usual.reading),
    ]
    for (view, other), now, usual in zip(place.partners, told.now.partners, told.usual.partners, strict=True):
        if now is not None and usual is not None:
            numbers.append(number(view, other, f"{view.id}_{other}", now))
            numbers.append(number(view, other, f"{view.id}_{other}_usual", usual))
    ruled_out = [
        RuledOut(what="oil carried along", why="no analyser up or down the train has moved with it"),
        RuledOut(what="an upset", why="it goes one way in small steps for hours; an upset is fast and returns"),
    ]
    if place.filters:
        young = "the bed was washed meanwhile, or is far from its terminal drop, and the reading stays"
        ruled_out.append(RuledOut(what="breakthrough", why=young))
    minutes = [b.minute for b in kept]
    return Draft(
        minute=minute,
        kind="sensor-drift",
        run_key=str(told.onset),
        onset=told.onset,
        severity="low",
        confidence=0.7 if place.filters else 0.8,
        unit=unit.tags[role],
        cause="fouled",
        ended=ended,
        evidence=Evidence(
            numbers=tuple(numbers),
            traces=(
                trace(unit, role, "reading", minutes, [b.reading for b in kept]),
                *(
                    trace(view, other, f"{view.id}_{other}", minutes, _column(kept, i))
                    for i, (view, other) in enumerate(place.partners)
                ),
            ),
        ),
        ruled_out=tuple(ruled_out),
        first_step=STEP,
    )


def _column(kept: Sequence[Bin], i: int) -> list[float]:
    return [nan if (value := b.partners[i]) is None else value for b in kept]
