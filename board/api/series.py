"""Instruments with their newest readings, and trends of them over any span."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Annotated

from fastapi import Path, Query, Request
from fastapi.responses import Response
from pydantic import BaseModel

from board import train
from board.access import Anybody
from board.api.common import ID, reply, resource
from board.house import house_of, not_here
from board.pages.skid import seen
from board.trend import LONGEST, panels
from skidhand.errors import NotFoundError, UserError

router = resource("series")
MOST_TAGS = 12
TAG = r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$"


class SeriesOut(BaseModel):
    """One instrument and its newest sample. ``quality`` is an OPC UA StatusCode, ``unit`` a UCUM code."""

    tag: str
    unit: str
    note: str
    total: bool
    states: dict[int, str] | None
    time: datetime | None
    value: float | None
    quality: int | None


class SeriesList(BaseModel):
    """All instruments of a skid that you may see, in the fleet file's order."""

    items: list[SeriesOut]


class TrendSeries(BaseModel):
    """One instrument, bucket by bucket; null where nothing usable is. Of states and totals, ``mean`` is the last."""

    tag: str
    unit: str
    low: list[float | None]
    high: list[float | None]
    mean: list[float | None]


class TrendOut(BaseModel):
    """``start`` is the first bucket's; bucket n begins at start + n × width (seconds)."""

    start: datetime
    width: int
    series: list[TrendSeries]


@router.get("/skids/{skid}/series", response_model=SeriesList)
def series(request: Request, viewer: Anybody, skid: Annotated[str, Path(pattern=ID)]) -> Response:
    """The instruments of a skid with their newest readings."""
    house = house_of(request)
    version, found = seen(house, viewer, skid)
    tags = viewer.tags(found)
    readings = train.seen_by(viewer, version.fleet, found, train.latest(house, found, tags))
    items = []
    for tag in tags:
        one, reading = found.instruments[tag], readings.get(tag)
        items.append(
            {"tag": tag, "unit": one.unit, "note": one.note, "total": one.total, "states": one.states,
             "time": reading and reading.time, "value": reading and reading.value,
             "quality": reading and reading.quality}
        )  # fmt: skip
    return reply(request, {"items": items})


@router.get("/skids/{skid}/trend", response_model=TrendOut)
def trend(
    request: Request,
    viewer: Anybody,
    skid: Annotated[str, Path(pattern=ID)],
    tag: Annotated[list[Annotated[str, Query(pattern=TAG)]], Query(min_length=1, max_length=MOST_TAGS)],
    start: Annotated[datetime, Query(description="RFC 3339; without an offset it is UTC")],
    end: Annotated[datetime, Query(description="RFC 3339; without an offset it is UTC")],
) -> Response:
    """Trends of some instruments; the width is snapped so that about 600 points come back."""
    house = house_of(request)
    version, found = seen(house, viewer, skid)
    allowed = viewer.tags(found)
    for one in tag:
        if one not in allowed:
            raise not_here("tag", one)
    first, last = _aware(start), _aware(end)
    if not timedelta(0) < last - first <= LONGEST:
        raise UserError("end must lie after start, and at most ten years")
    read = panels(house.store, version.fleet, viewer, found, list(dict.fromkeys(tag)), first, last)
    lines = [{"tag": p.tag, "unit": p.instrument.unit, "low": p.low, "high": p.high, "mean": p.mean} for p in read]
    return reply(request, {"start": read[0].start, "width": read[0].width, "series": lines})


def _aware(moment: datetime) -> datetime:
    try:
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).astimezone(UTC)
    except OverflowError as error:
        raise NotFoundError(f"{moment} is outside the times that can be read") from error
