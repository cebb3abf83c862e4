"""Truth: what happened, written from the story and from what the plant itself did."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

from pydantic import ValidationError

from simulator.scenario import Scenario
from simulator.skid_plant import Acting, SkidPlant, Wash, acting, whole_minutes
from skidhand.errors import InputFileError
from skidhand.model.kinds import cause_class
from skidhand.model.truth import Backwash, Truth, TruthEvent

RUN_VISIBLE_HOURS = 2.0  # a run's slope stands out of the noise by then (common practice, no source)
RUN_VISIBLE_RESISTANCE = 2.0  # a run that ends below this was washed for another reason
WEAK_WASH = 1.10  # clean resistance after a wash that an engineer would notice
RETURN_HOURS = 6.0  # until the return sump is empty and the tank has passed what came
SUMP_HOURS = 2.5  # most of which it takes the sump to give its wash water back
MUCH_RETURNED = 0.5  # of the pad's own oil in that time; less is lost in the tank's ordinary ups and downs
DAY_MINUTES = 1440

Times = Callable[[float], datetime]
"""Hours after the scenario's start → time."""


def truth_of(
    scenario: Scenario, *, hours: float | None = None, skids: int | None = None, seed: int | None = None
) -> Truth:
    """The truth of what :func:`simulator.generate` yields with the same arguments.

    Events that begin so late that they could not be known before the end are left out.
    """
    span = scenario.file.hours if hours is None else hours
    number = scenario.file.seed if seed is None else seed
    chosen = [skid.id for skid in scenario.fleet.skids][:skids]

    def at(hour: float) -> datetime:
        return scenario.start + timedelta(hours=hour)

    events: list[TruthEvent] = []
    washes: list[Backwash] = []
    for skid_id in chosen:
        plant = lived(scenario, skid_id, number, span)
        washes += _washes(plant, at)
        events += [e for a in acting(scenario, skid_id, number) if (e := _event(a, plant, at)) is not None]
        events += _runs(plant, at)
        events += _returns(plant, at)
    known = [_cut(e, at(span)) for e in events if (e.knowable or e.onset) < at(span)]
    return Truth(
        scenario=scenario.name,
        fleet=scenario.fleet.fleet,
        seed=number,
        start=scenario.start,
        end=at(span),
        skids=tuple(chosen),
        events=tuple(sorted(known, key=lambda e: (e.onset, e.id))),
        backwashes=tuple(sorted(washes, key=lambda w: (w.start, w.skid))),
    )


def write_truth(truth: Truth, path: Path | str) -> None:
    """Write ``truth`` as JSON."""
    Path(path).write_text(truth.model_dump_json(indent=1) + "\n", encoding="utf-8")


def read_truth(path: Path | str) -> Truth:
    """Read a truth file; InputFileError names what is wrong with it."""
    try:
        return Truth.model_validate_json(Path(path).read_bytes())
    except (OSError, ValidationError) as error:
        raise InputFileError(f"{path}: not a truth file of version 1: {error}") from error


def lived(scenario: Scenario, skid_id: str, seed: int, hours: float) -> SkidPlant:
    """The plant of one skid after ``hours``, with the washes that it went through."""
    plant = SkidPlant(scenario, skid_id, seed)
    left = whole_minutes(hours)
    while left > 0:  # a day at a time keeps memory flat
        plant.run(min(left, DAY_MINUTES))
        left -= DAY_MINUTES
    return plant


def _unit(plant: SkidPlant, unit_type: str | None) -> str | None:
    return next((unit.id for unit in plant.view.units if unit.type.name == unit_type), None)


def _event(active: Acting, plant: SkidPlant, at: Times) -> TruthEvent | None:
    """The event as a finding should date it, or None if it never left a trace."""
    event, fault = active.event, active.fault
    onset = _onset(active, plant)
    if onset is None:
        return None
    visible = max(onset, event.at + fault.visible_share * event.hours) + fault.visible_minutes / 60.0
    late = max(visible, event.at + fault.late_share * event.hours + fault.late_minutes / 60.0)
    speaks = fault.kind is not None
    return TruthEvent(
        id=f"{plant.skid.id}/{event.event}/{event.at:g}",
        event=event.event,
        skid=plant.skid.id,
        unit=_unit(plant, fault.unit_type),
        tag=event.tag,
        kind=fault.kind,
        cause=fault.cause,
        cause_class=cause_class(fault.kind, fault.cause) if fault.kind else None,
        lookalike=fault.lookalike,
        severity=event.severity,
        onset=at(onset),
        knowable=at(visible) if speaks else None,
        too_late=at(late) if speaks else None,
        ended=at(event.at + event.hours + max(fault.aftermath_hours, fault.rise_hours)),
    )


def _onset(active: Acting, plant: SkidPlant) -> float | None:
    """Hour at which it first changed anything: the first stair, the first weak wash, or its beginning."""
    event, fault = active.event, active.fault
    if fault.shape == "stairs":
        return event.at + active.stairs[0] * event.hours
    if fault.name != "incomplete-backwash":
        return event.at
    weak = [
        wash.end / 60.0
        for wash in plant.washes
        if event.at <= wash.start / 60.0 < event.at + event.hours and wash.resistance_after >= WEAK_WASH
    ]
    return weak[0] if weak else None


def _cut(event: TruthEvent, end: datetime) -> TruthEvent:
    """The event as it stands at ``end``: what goes on beyond has not ended."""
    if event.ended is not None and event.ended > end:
        return event.model_copy(update={"ended": None})
    return event


def _washes(plant: SkidPlant, at: Times) -> list[Backwash]:
    unit = _unit(plant, "media_filter")
    if unit is None:
        return []
    return [
        Backwash(
            skid=plant.skid.id,
            unit=unit,
            by=plant.skid.backwash_by,
            start=at(wash.start / 60.0),
            end=at(wash.end / 60.0),
            dp_before=round(wash.dp_before, 3),
            resistance_before=round(wash.resistance_before, 4),
            resistance_after=round(wash.resistance_after, 4),
        )
        for wash in plant.washes
    ]


def _runs(plant: SkidPlant, at: Times) -> list[TruthEvent]:
    """Every filter run that fouled its way to a wash; fouling is the plant's own doing, no story needs it."""
    found = []
    begin = 0
    for wash in plant.washes:
        if wash.resistance_before >= RUN_VISIBLE_RESISTANCE:
            found.append(_run(plant, begin, wash, at))
        begin = wash.end
    bed = plant.train.filter
    if bed and bed.resistance >= RUN_VISIBLE_RESISTANCE:
        found.append(_run(plant, begin, None, at))
    return found


def _run(plant: SkidPlant, begin: int, wash: Wash | None, at: Times) -> TruthEvent:
    """A run from minute ``begin`` to its ``wash``, or one that still goes on and that nobody need have called."""
    onset = begin / 60.0
    visible = onset + RUN_VISIBLE_HOURS
    return TruthEvent(
        id=f"{plant.skid.id}/filter-run/{onset:.2f}",
        event="filter-run",
        skid=plant.skid.id,
        unit=_unit(plant, "media_filter"),
        kind="dp-rise",
        cause="fouling",
        cause_class=cause_class("dp-rise", "fouling"),
        required=wash is not None,
        onset=at(onset),
        knowable=at(visible if wash is None else min(visible, wash.start / 60.0)),
        too_late=None if wash is None else at(wash.start / 60.0),
        ended=None if wash is None else at(wash.end / 60.0),
    )


def _returns(plant: SkidPlant, at: Times) -> list[TruthEvent]:
    """Where a bed catches much, its wash's oil comes back to the tank for hours and may be seen at its outlet."""
    if plant.train.tank is None:
        return []
    much = MUCH_RETURNED * SUMP_HOURS * plant.normal.inflow * plant.normal.oil
    return [
        TruthEvent(
            id=f"{plant.skid.id}/wash-return/{wash.start / 60.0:.2f}",
            event="wash-return",
            skid=plant.skid.id,
            unit=_unit(plant, "weir_tank"),
            kind="oil-carry-over",
            cause="own-return",
            cause_class=cause_class("oil-carry-over", "own-return"),
            required=False,
            onset=at(wash.start / 60.0),
            knowable=at(wash.end / 60.0),
            ended=at(wash.end / 60.0 + RETURN_HOURS),
        )
        for wash in plant.washes
        if wash.oil > much
    ]
