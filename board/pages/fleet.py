"""The fleet: every skid in a plain sentence, the worst first."""

from __future__ import annotations

import gzip
import hashlib
from collections import OrderedDict
from datetime import timedelta
from typing import Final
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from fastapi.responses import Response

from board import sentences, when
from board.access import Anybody
from board.errors import RefusedError
from board.gauges import Gauge, gauge
from board.house import House, house_of
from board.render import Nav, html, words_of
from board.summary import Line, Shared, Summary
from board.viewer import Viewer
from board.words import Words

router = APIRouter(include_in_schema=False)
NAV: Final = Nav("/", "nav.fleet", role="customer", order=10)

UTC: Final = ZoneInfo("UTC")
BLIND_S: Final = 60.0
KEPT: Final = 64

_pages: OrderedDict[tuple[object, ...], tuple[str, bytes]] = OrderedDict()
"""The last pages, packed, by all that they depend on: fifty viewers cost little more than one."""


@router.get("/")
def fleet(request: Request, viewer: Anybody) -> Response:
    """The page, or 304 when the browser has it already."""
    house = house_of(request)
    summary = house.summary.get()
    if summary is None:
        house.fleet()  # says what to do when there is none
        raise RefusedError("no fleet version is in force", 503)
    tag, packed = _page(request, house, summary, viewer)
    headers = {"ETag": tag, "Cache-Control": "private, no-cache", "Vary": "Cookie, Accept-Language, Accept-Encoding"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    if "gzip" in request.headers.get("accept-encoding", ""):
        return Response(packed, media_type="text/html", headers={**headers, "Content-Encoding": "gzip"})
    return Response(gzip.decompress(packed), media_type="text/html", headers=headers)


def lines_for(summary: Summary, viewer: Viewer) -> list[Line]:
    """The skids that this viewer may see where they stand now."""
    if viewer.sites is None:
        return list(summary.lines)
    return [line for line in summary.lines if line.site is not None and viewer.sees_site(line.site)]


def shared_for(summary: Summary, viewer: Viewer) -> list[Shared]:
    """The tanks that skids share on this viewer's sites; customers see none."""
    return [] if viewer.customer else [one for one in summary.tanks if viewer.sees_site(one.tank.place)]


def _gauges(summary: Summary, viewer: Viewer, t: Words) -> list[Gauge]:
    """Tanks that skids share, what is the matter and what is soonest first."""
    seen = shared_for(summary, viewer)
    told = [(one, gauge(one.tank, summary.fleet.fleet, summary.at, t, one.matters)) for one in seen]
    far = timedelta.max
    told.sort(key=lambda pair: (not pair[1].why, not pair[1].soon, pair[0].tank.left or far))
    return [words for _, words in told]


def _page(request: Request, house: House, summary: Summary, viewer: Viewer) -> tuple[str, bytes]:
    t = words_of(request)
    blind = house.summary.blind_s
    stale = when.span(timedelta(seconds=blind), t) if blind > BLIND_S else ""
    troubles = tuple(sentences.troubles(summary, house.clock.kind, t))
    key = (id(house), summary.version, viewer.key, viewer.role, viewer.name, t.language, stale, troubles)
    if key not in _pages:
        mine = lines_for(summary, viewer)
        first, rest = sentences.headline(mine, shared_for(summary, viewer), viewer, t)
        gauges = _gauges(summary, viewer, t)
        text = html(
            request,
            "fleet.html",
            viewer,
            rows=[sentences.row(line, summary.fleet.fleet, viewer, summary.at, t) for line in mine],
            gauges=gauges,
            pressing=any(one.soon or one.why for one in gauges),
            fleet=summary.fleet.fleet,
            first=first,
            rest=rest,
            troubles=[*([t("fleet.stale", age=stale)] if stale else []), *troubles],
            at=summary.at,
            version=summary.version,
            zone=UTC,
            recording=house.clock.kind == "stream",
        ).encode()
        _pages[key] = (f'"{hashlib.sha256(text).hexdigest()[:20]}"', gzip.compress(text, 6))
        while len(_pages) > KEPT:
            _pages.popitem(last=False)
    return _pages[key]
