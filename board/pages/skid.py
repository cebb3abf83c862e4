"""One skid: what stands, its train with live values, trends, and what is watched."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Annotated, Final
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from analytics.tanks import Tank, tanks
from board import learning, plot, sentences, train, when
from board.access import Anybody
from board.attention import Matter
from board.facts import key_tags, oil_tag
from board.gauges import gauge
from board.house import House, house_of, not_here
from board.marks import marks
from board.pages.fleet import lines_for
from board.render import render, unit, words_of
from board.summary import Line
from board.trend import LONGEST, SPANS, Panel, panels
from board.viewer import Viewer
from board.words import Words
from skidhand.errors import UserError
from skidhand.fleet import Fleet, FleetVersion, Skid
from skidhand.fleet.coverage import coverage

router = APIRouter(include_in_schema=False)
MOST_TAGS: Final = 12
SHOWN: Final = 4


@router.get("/skids/{skid}")
def page(
    request: Request,
    viewer: Anybody,
    skid: str,
    tag: Annotated[list[str] | None, Query(max_length=64)] = None,
    span: str = "1d",
    end: datetime | None = None,
) -> Response:
    """The page; ``tag``, ``span`` and ``end`` choose the trends."""
    house, t = house_of(request), words_of(request)
    version, found = seen(house, viewer, skid)
    now, fleet = house.now(), version.fleet
    place = fleet.placement_at(found, now)
    zone = when.zone_of(fleet, place.site if place else None)
    line = _line_of(house, viewer, found)
    tags = _tags(viewer, found, line, tag)
    until = _until(end, now)
    start = until - _span(span)
    read = panels(house.store, fleet, viewer, found, tags, start, until)
    happened = marks(house, viewer, found, start, until, t)
    row = sentences.row(line, fleet, viewer, now, t) if line else None
    return render(
        request,
        "skid.html",
        viewer,
        skid=found,
        site=next((one for one in fleet.sites if place and one.id == place.site), None),
        row=row,
        matters=[] if viewer.customer or line is None else [_matter(one, now, zone, t) for one in line.matters],
        gauges=[
            gauge(tank, fleet, now, t, _shared_matters(house, tank))
            for tank in tanks_for(house, viewer, fleet, found, place.site if place else None, now)
        ],
        learning=[] if viewer.customer or line is None else learning.told(line.watched, now, zone, t),
        stages=train.train(
            found, viewer, train.seen_by(viewer, fleet, found, train.latest(house, found, viewer.tags(found))), now, t
        ),
        panels=[_drawn(panel, found) for panel in read],
        width=when.span(timedelta(seconds=read[0].width), t) if read else "",
        step=read[0].width if read else 0,
        first=int(read[0].start.timestamp()) if read else 0,
        lanes=plot.lanes(happened, start, until, t("trend.marks")),
        lane_names=[t(plot.LANES[sort]) for sort in plot.lanes_of(happened)],
        marks=happened,
        ticks=plot.ticks(start, until, zone, t),
        tags=tags,
        choice=viewer.tags(found),
        span=span,
        spans=list(SPANS),
        earlier=(until - _span(span)).astimezone(UTC),
        later=min(now, until + _span(span)).astimezone(UTC) if end else None,
        until=until,
        start=start,
        end=end,
        now=now,
        zone=zone,
        watched=() if viewer.customer else watched(version, found, t),
    )


def seen(house: House, viewer: Viewer, skid: str) -> tuple[FleetVersion, Skid]:
    """The skid, if it is there and this viewer may see it; NotFoundError otherwise."""
    version = house.fleet()
    found = version.fleet.skid(skid)
    if found is None or not viewer.sees_skid(version.fleet, found):
        raise not_here("skid", skid)
    return version, found


def watched(version: FleetVersion, skid: Skid, t: Words) -> list[tuple[str, str, bool, str]]:
    """(unit, kind, watched, note) for every kind that may arise on the skid."""
    one = version.fleet.model_copy(update={"skids": (skid,)})
    rows = (row for row in coverage(one) if row["skid"] == skid.id and row["kind"])
    return [(row["unit"] or t(f"skid.any-{row['type']}"), row["kind"], row["watched"], row["note"]) for row in rows]


def tanks_for(house: House, viewer: Viewer, fleet: Fleet, skid: Skid, site: str | None, now: datetime) -> list[Tank]:
    """The skid's own tanks, and those that it shares with others where it stands; customers see none."""
    if viewer.customer or not (viewer.sites is None or (site is not None and viewer.sees_site(site))):
        return []
    return tanks(house.store, fleet, now=now, places=[skid.id, site or ""])


def _shared_matters(house: House, tank: Tank) -> tuple[Matter, ...]:
    """What is the matter with a tank that skids share, as the fleet page tells it; of a skid's own, its page does."""
    summary = house.summary.get()
    shared = () if summary is None else summary.tanks
    key = (tank.place, tank.unit)
    return next((one.matters for one in shared if (one.tank.place, one.tank.unit) == key), ())


def _line_of(house: House, viewer: Viewer, skid: Skid) -> Line | None:
    """What the fleet page says of it; None while it stands where this viewer sees nothing."""
    summary = house.summary.get()
    return next((line for line in lines_for(summary, viewer) if line.skid.id == skid.id), None) if summary else None


def _tags(viewer: Viewer, skid: Skid, line: Line | None, asked: list[str] | None) -> list[str]:
    """What was asked for, or what tells most: the worst matter's readings, oil, and what tells of flow."""
    allowed = viewer.tags(skid)
    if asked:
        unknown = [tag for tag in asked if tag not in allowed]
        if unknown:
            raise UserError(f"tag {unknown[0]!r}: there are {', '.join(allowed)}")
        return list(dict.fromkeys(asked))[:MOST_TAGS]
    worst = line.matters[0].finding if line and line.matters else None
    evidence = [] if worst is None else [worst.unit, *(n.tag for n in worst.evidence.numbers)]
    named = dict.fromkeys([*evidence, oil_tag(skid), *key_tags(skid), *allowed])
    measured = [tag for tag in named if tag in allowed and not skid.instruments[str(tag)].states]
    return [str(tag) for tag in measured][:SHOWN] or allowed[:1]


def _span(span: str) -> timedelta:
    if span not in SPANS:
        raise UserError(f"span {span!r}: there are {', '.join(SPANS)}")
    return SPANS[span]


def _until(end: datetime | None, now: datetime) -> datetime:
    if end is None:
        return now
    moment = end if end.tzinfo else end.replace(tzinfo=UTC)
    if not now - LONGEST <= moment <= now + LONGEST:
        raise UserError(f"end {moment.isoformat()} is more than ten years away")
    return moment.astimezone(UTC)


def _drawn(panel: Panel, skid: Skid) -> plot.Drawn:
    shown = unit(panel.instrument.unit)
    said = f"{panel.tag} {panel.instrument.note}".strip()
    limit = skid.spec.get("oil") if panel.tag == oil_tag(skid) else None
    same = limit is not None and limit.unit == panel.instrument.unit
    return plot.draw(panel, shown, said, limit=limit.limit if same and limit else None)


def _matter(one: Matter, now: datetime, zone: ZoneInfo, t: Words) -> dict[str, str]:
    finding, prompt = one.finding, one.prompt
    asked = "" if prompt is None else f"{t('trend.prompt')} {prompt.code}, {t(f'prompt.{prompt.state}')}"
    return {
        "prompt": asked,
        "id": str(finding.id),
        "text": sentences.told(finding, t),
        "since": sentences.since_of(finding, zone, now, t),
        "level": finding.severity,
        "word": t(f"severity.{finding.severity}"),
    }
