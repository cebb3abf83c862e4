"""Handover: what the next shift must know, signed by both sides."""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import RedirectResponse, Response

from analytics import handover
from board import learning, sentences, when
from board.access import Looking, may_write
from board.gauges import gauge
from board.house import house_of
from board.render import Nav, render, words_of
from board.viewer import Viewer

router = APIRouter(include_in_schema=False)
NAV: Final = Nav("/handover", "nav.handover", order=30)

Writing = Annotated[Viewer, Depends(may_write("answer"))]


@router.get("/handover")
def page(request: Request, viewer: Looking) -> Response:
    """The page; a viewer of some sites sees the skids that stand there now."""
    house, t = house_of(request), words_of(request)
    fleet, now = house.fleet().fleet, house.now()
    placed = {skid.id: fleet.placement_at(skid, now) for skid in fleet.skids}
    skids = None if viewer.sites is None else {id for id, at in placed.items() if at and viewer.sees_site(at.site)}
    told = handover.handover(house.logbook, fleet, house.store, now=now, skids=skids, sites=viewer.sites)
    zones = {id: when.zone_of(fleet, at.site if at else None) for id, at in placed.items()}
    zones |= {site.id: when.zone_of(fleet, site.id) for site in fleet.sites}
    return render(
        request, "handover.html", viewer, told=told, now=now, zones=zones, utc=when.zone_of(fleet, None),
        names={**{site.id: site.name for site in fleet.sites}, **{skid.id: skid.name for skid in fleet.skids}},
        gauges=[gauge(tank, fleet, now, t) for tank in told.levels],
        learning=[(one.skid, learning.told(one, now, zones[one.skid], t)) for one in told.watched],
        titles=sentences.titles(house, (*told.open, *told.shelved), t), day=lambda on: when.day(on, t),
        whole=viewer.sites is None,
    )  # fmt: skip


@router.post("/handover/sign")
def sign(request: Request, viewer: Writing, note: Annotated[str, Form(max_length=2000)] = "") -> Response:
    """The leaving shift signs."""
    house = house_of(request)
    now = house.now()
    told = handover.handover(house.logbook, house.fleet().fleet, house.store, now=now)
    handover.sign(house.logbook, told, who=viewer.person or viewer.name, note=note, at=now)
    return RedirectResponse("/handover", status_code=303)


@router.post("/handover/take")
def take(request: Request, viewer: Writing) -> Response:
    """The coming shift signs."""
    house = house_of(request)
    handover.take(house.logbook, who=viewer.person or viewer.name, at=house.now())
    return RedirectResponse("/handover", status_code=303)
