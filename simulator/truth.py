"""Truth: what happened, written from the story and from what the plant itself did."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from pathlib import Path

from pydantic import ValidationError

from simulator.pad import Pad, SitePlant, pads
from simulator.scenario import Scenario
from simulator.skid_plant import Acting, SkidPlant, Wash, whole_minutes
from simulator.spec_truth import OutletRecord
from simulator.streams import Floats
from skidhand.errors import InputFileError
from skidhand.model.kinds import INSTRUMENT, KINDS, cause_class
from skidhand.model.truth import Backwash, Truth, TruthEvent

RUN_VISIBLE_HOURS = 2.0  # a run's slope stands out of the noise by then (common practice, no source)
RUN_VISIBLE_RESISTANCE = 2.0  # a run that ends below this was washed for another reason
SLUG_SHARE = 0.2  # of a run's deposit, from which the slug shortened it by a fifth
RUN_WASHED_AT = 0.9  # of the terminal drop: a run that ends above was washed for its drop, if only because of the cold
WEAK_WASH = 1.10  # clean resistance after a wash that an engineer would notice
RETURN_HOURS = 6.0  # until the return sump is empty and the tank has passed what came
SUMP_HOURS = 2.5  # most of which it takes the sump to give its wash water back
MUCH_RETURNED = 0.5  # of the pad's own oil in that time; less is lost in the tank's ordinary ups and downs
DAY_MINUTES = 1440
STOP_VISIBLE, STOP_LATE = 5, 60  # minutes, as for any other stop

Times = Callable[[float], datetime]
"""Hours after the scenario's start → time."""


def truth_of(
    scenario: Scenario, *, hours: float | None = None, skids: int | None = None, seed: int | None = None
) -> Truth:
    """The truth of what :func:`simulator.generate` yields with the same arguments.

    What begins before the end is in it; what need be known only after the end is not required.
    """
    span = scenario.file.hours if hours is None else hours
    number = scenario.file.seed if seed is None else seed
    chosen = scenario.chosen(skids)

    def at(hour: float) -> datetime:
        return scenario.start + timedelta(hours=hour)

    events: list[TruthEvent] = []
    washes: list[Backwash] = []
    sites: list[str] = []
    for pad in pads(scenario, chosen, number):
        outlets = [OutletRecord(plant, scenario.start) for plant in pad.plants]
        live(pad, span, [outlet.keep for outlet in outlets])
        for plant, outlet in zip(pad.plants, outlets, strict=True):
            washes += _washes(plant, at)
            events += [e for i in range(len(plant.events)) for e in _events(i, plant, at)]
            events += _runs(plant, at)
            events += _returns(plant, at)
            events += outlet.events(at)
        if pad.shared is not None:
            sites.append(pad.shared.skid.id)
            events += [e for i in range(len(pad.shared.events)) for e in _events(i, pad.shared, at)]
            events += held_up(pad, at)
    begun = [_cut(e, at(span)) for e in events if e.onset < at(span)]
    return Truth(
        scenario=scenario.name,
        fleet=scenario.fleet.fleet,
        seed=number,
        start=scenario.start,
        end=at(span),
        skids=tuple(chosen),
        sites=tuple(sites),
        events=tuple(sorted(begun, key=lambda e: (e.onset, e.id))),
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
        why = error if isinstance(error, OSError) else _first(error)
        raise InputFileError(f"{path}: not a truth file of version 1: {why}") from error


def _first(error: ValidationError) -> str:
    one = error.errors()[0]
    where = ".".join(map(str, one["loc"]))
    return f"{where}: {one['msg']}" if where else "not JSON of its shape; 'skidhand simulate --truth FILE' writes one"


def live(pad: Pad, hours: float, keep: Sequence[Callable[[Floats], None]] = ()) -> None:
    """Let a pad live ``hours``, a day at a time to keep memory flat; ``keep`` is given each skid's rows."""
    left = whole_minutes(hours)
    while left > 0:
        for rows, take in zip(pad.run(min(left, DAY_MINUTES)), keep, strict=False):
            take(rows)
        left -= DAY_MINUTES


def held_up(pad: Pad, at: Times) -> Iterator[TruthEvent]:
    """Skids that stopped because the tank that they share was full."""
    assert pad.shared is not None
    if pad.shared.story.tank.when_full != "stop":
        return
    for plant in pad.plants:
        for begin, end in pad.shared.held_up:
            unit = next((u.id for u in plant.view.of_type("skid")), None)
            yield TruthEvent(
                id=f"{plant.skid.id}/shared-tank-full/{begin / 60.0:.2f}",
                event="shared-tank-full",
                skid=plant.skid.id,
                unit=unit,
                kind="unplanned-stop",
                cause="downstream-full",
                cause_class=cause_class("unplanned-stop", "downstream-full"),
                required=unit is not None,
                onset=at(begin / 60.0),
                knowable=at((begin + STOP_VISIBLE) / 60.0),
                too_late=at((begin + STOP_LATE) / 60.0),
                ended=None if end is None else at(end / 60.0),
            )


def _events(number: int, plant: SkidPlant | SitePlant, at: Times) -> Iterator[TruthEvent]:
    """An event as a finding should date it, and what else it would be right to find; nothing without a trace."""
    active = plant.events[number]
    event, fault = active.event, active.fault
    shown = _onset(number, plant)
    if shown is None and fault.shows is None:
        return
    onset = event.at if shown is None else shown
    visible = max(onset, event.at + fault.visible_share * event.hours) + fault.visible_minutes / 60.0
    late = max(visible, event.at + fault.late_share * event.hours + fault.late_minutes / 60.0)
    if fault.shows is not None:
        late = max(late, onset + fault.late_minutes / 60.0)
    speaks = fault.kind is not None
    main = TruthEvent(
        id=f"{plant.skid.id}/{event.event}/{event.at:g}",
        event=event.event,
        skid=plant.skid.id,
        unit=_told_on(active, plant),
        tag=event.tag,
        kind=fault.kind,
        cause=fault.cause,
        cause_class=cause_class(fault.kind, fault.cause) if fault.kind else None,
        lookalike=fault.lookalike,
        required=fault.required,
        severity=event.severity,
        onset=at(onset),
        knowable=at(visible) if speaks else None,
        too_late=at(late) if speaks else None,
        ended=at(event.at + event.hours + max(fault.aftermath_hours, fault.rise_hours)),
    )
    if shown is not None:
        yield main
    for kind, cause in fault.also:
        yield main.model_copy(
            update={
                "id": f"{main.id}/{kind}",
                "unit": None,
                "tag": event.tag if INSTRUMENT in KINDS[kind].on else None,
                "kind": kind,
                "cause": cause,
                "cause_class": cause_class(kind, cause),
                "required": False,
                # A tank runs down from when its feed stops, hours before the trip that the fault is known by.
                "onset": at(onset if fault.shows is None else event.at),
                "knowable": at(visible),
                "too_late": None,
            }
        )


def _told_on(active: Acting, plant: SkidPlant | SitePlant) -> str | None:
    if active.fault.told_on is None:
        return active.unit
    return next((unit.id for unit in plant.view.of_type(active.fault.told_on)), None)


def _onset(number: int, plant: SkidPlant | SitePlant) -> float | None:
    """Hour at which it first changed anything: the first stair, the first weak wash, or its beginning."""
    active = plant.events[number]
    event, fault = active.event, active.fault
    if isinstance(plant, SitePlant):
        return event.at
    if fault.shows is not None:
        return plant.shown.get(number)
    if fault.shape == "stairs":
        return event.at + active.stairs[0] * event.hours
    if fault.name != "incomplete-backwash":
        return event.at
    weak = [
        wash.end / 60.0
        for wash in plant.washes
        if wash.unit == active.unit
        and event.at <= wash.start / 60.0 < event.at + event.hours
        and wash.resistance_after >= WEAK_WASH
    ]
    return weak[0] if weak else None


def _cut(event: TruthEvent, end: datetime) -> TruthEvent:
    """The event as it stands at ``end``: what goes on beyond has not ended, and who has time until then may take it."""
    goes_on = event.ended is not None and event.ended > end
    due = event.knowable is None or (event.knowable < end and (event.too_late is None or event.too_late <= end))
    if due and not goes_on:
        return event
    return event.model_copy(update={"ended": None if goes_on else event.ended, "required": event.required and due})


def _washes(plant: SkidPlant, at: Times) -> list[Backwash]:
    return [
        Backwash(
            skid=plant.skid.id,
            unit=wash.unit,
            by=plant.skid.backwash_by,
            start=at(wash.start / 60.0),
            end=at(wash.end / 60.0),
            dp_before=round(wash.dp_before, 3),
            resistance_before=round(wash.resistance_before, 4),
            resistance_after=round(wash.resistance_after, 4),
        )
        for wash in plant.washes
    ]


def _runs(plant: SkidPlant, at: Times) -> Iterator[TruthEvent]:
    """Every filter run that fouled its way to a wash, and the one that the end cuts; no story needs to tell of it."""
    washing = plant.train.filters.washing if plant.train.filters else {}
    for name, control in washing.items():
        begin, terminal = 0, control.terminal
        for wash in plant.washes:
            if wash.unit == name:
                dear = wash.dp_before >= RUN_WASHED_AT * terminal
                if dear or wash.resistance_before >= RUN_VISIBLE_RESISTANCE:
                    yield _run(plant, name, begin, wash, wash.slug_share, at)
                begin = wash.end
        yield _run(plant, name, begin, None, plant.slug_share(name), at)


def _run(plant: SkidPlant, unit: str, begin: int, wash: Wash | None, slug: float, at: Times) -> TruthEvent:
    """A run from minute ``begin`` to its ``wash``, or one that still goes on and that nobody need have called.

    What the bed holds decides the cause: a slug's, if slugs brought a good part of it on top of the usual.
    """
    onset = begin / 60.0
    visible = onset + RUN_VISIBLE_HOURS
    several = len(plant.view.of_type("media_filter")) > 1
    cause = "oil-slug" if slug >= SLUG_SHARE else "fouling"
    return TruthEvent(
        id=f"{plant.skid.id}/filter-run/{onset:.2f}" + (f"/{unit}" if several else ""),
        event="filter-run",
        skid=plant.skid.id,
        unit=unit,
        kind="dp-rise",
        cause=cause,
        cause_class=cause_class("dp-rise", cause),
        required=wash is not None and wash.resistance_before >= RUN_VISIBLE_RESISTANCE,
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
            unit=plant.train.ids.get("weir_tank"),
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
