"""Live values by server-sent events. A client that comes back says where it was, and misses nothing newer."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator, Mapping
from datetime import datetime
from typing import Annotated, Any, Final

import orjson
from fastapi import Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import StreamingResponse

from board import train
from board.access import Anybody, viewer_of
from board.api.common import ID, resource
from board.facts import Reading
from board.house import House, house_of
from board.pages.skid import seen
from board.render import words_of
from board.viewer import Viewer
from board.words import Words
from skidhand.clock import monotonic
from skidhand.errors import SkidhandError
from skidhand.fleet import Skid
from skidhand.model.samples import micros

router = resource("live")
LOOK_S: Final = 1.0
ALIVE_S: Final = 10.0
CHECK_S: Final = 60.0  # how often it is asked again whether the viewer may still look
HEADERS: Final = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}


@router.get(
    "/live",
    response_class=StreamingResponse,
    responses={200: {"description": "events", "content": {"text/event-stream": {"schema": {"type": "string"}}}}},
)
async def live(
    request: Request, viewer: Anybody, skid: Annotated[str | None, Query(pattern=ID)] = None
) -> StreamingResponse:
    """Without ``skid``: ``fleet`` events when anything changed. With it: ``values`` events of its readings.

    The id of a ``values`` event is the newest source time in it (µs); with ``Last-Event-ID`` only readings
    newer than that are sent first.
    """
    house = house_of(request)
    last = request.headers.get("last-event-id", "")
    if skid is None:
        return StreamingResponse(_fleet(request, house, last), media_type="text/event-stream", headers=HEADERS)
    _, found = await run_in_threadpool(seen, house, viewer, skid)
    events = _values(request, house, viewer, found, int(last) if last.isdecimal() else 0)
    return StreamingResponse(events, media_type="text/event-stream", headers=HEADERS)


async def _fleet(request: Request, house: House, last: str) -> AsyncIterator[bytes]:
    async for quiet in _turns(request, house):
        summary = house.summary.last
        if summary is not None and summary.version != last:
            last = summary.version
            yield event("fleet", {"version": last, "at": summary.at}, last)
        elif quiet:
            yield b": alive\n\n"


async def _values(request: Request, house: House, viewer: Viewer, skid: Skid, last: int) -> AsyncIterator[bytes]:
    t, tags = words_of(request), viewer.tags(skid)
    async for quiet in _turns(request, house):
        try:
            readings = await run_in_threadpool(train.latest_shared, house, skid)
        except SkidhandError:
            continue  # the store is away: ages go on growing on the page
        seen_now = train.seen_by(viewer, house.fleet().fleet, skid, readings)
        fresh = {tag: seen_now[tag] for tag in tags if tag in seen_now and micros(seen_now[tag].time) > last}
        now = house.now()
        if fresh:
            last = max(micros(reading.time) for reading in fresh.values())
            yield event("values", {"now": now, "values": list(_cells(skid, fresh, now, t))}, str(last))
        elif quiet:
            yield event("values", {"now": now, "values": []})


async def _turns(request: Request, house: House) -> AsyncIterator[bool]:
    """Once a second while somebody listens, may listen, and the house stands; True every ALIVE_S."""
    checked = spoke = monotonic()
    while not house.stopping.is_set() and not await request.is_disconnected():
        quiet = monotonic() - spoke >= ALIVE_S
        spoke = monotonic() if quiet else spoke
        yield quiet
        if monotonic() - checked >= CHECK_S:
            checked = monotonic()
            if await run_in_threadpool(viewer_of, request) is None:
                return
        await asyncio.sleep(LOOK_S)


def _cells(skid: Skid, fresh: Mapping[str, Reading], now: datetime, t: Words) -> Iterator[dict[str, Any]]:
    for tag, reading in fresh.items():
        cell = train.cell(tag, "", skid.instruments[tag], reading, now, t)
        yield {
            "tag": tag,
            "time": reading.time,
            "value": reading.value,
            "status": reading.quality,
            "text": cell.value,
            "unit_label": cell.unit,
            "quality": cell.quality,
            "quality_word": cell.word,
        }


def event(name: str, data: dict[str, Any], id: str | None = None) -> bytes:
    """One event as it goes over the wire (HTML Living Standard, section 9.2)."""
    head = f"id: {id}\n" if id is not None else ""
    return f"{head}event: {name}\ndata: {orjson.dumps(data).decode()}\n\n".encode()
