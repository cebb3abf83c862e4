"""The fleet and its skids as the fleet page shows them."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import Path, Request
from fastapi.responses import Response
from pydantic import BaseModel

from board.access import Anybody
from board.api.common import ID, Limit, Offset, Paged, page, reply, resource
from board.api.watch import (
    LearningOut,
    MatterOut,
    NotWatchedOut,
    SharedTankOut,
    TankOut,
    learning_out,
    matters_out,
    not_watched_out,
    tank_out,
)
from board.errors import RefusedError
from board.house import House, house_of, not_here
from board.pages.fleet import lines_for, shared_for
from board.pages.skid import tanks_for
from board.summary import Line, Summary
from board.viewer import Viewer

router = resource("fleet")


class SiteOut(BaseModel):
    """A pad."""

    id: str
    name: str
    timezone: str


class FleetOut(BaseModel):
    """The fleet in force. ``skids`` counts those that you may see, by state; ``tanks``: those that skids share."""

    fleet: str
    version: str
    at: datetime
    sites: list[SiteOut]
    skids: dict[str, int]
    tanks: list[SharedTankOut]


class WashOut(BaseModel):
    """When a filter's next backwash is expected; ends of an 80 % interval."""

    unit: str
    when: datetime
    low: datetime
    high: datetime


class OilOut(BaseModel):
    """Oil in treated water, in the limit's unit. ``basis``: that on which alone the limit is judged."""

    tag: str
    value: float | None
    unit: str
    limit: float | None
    basis: str | None
    over: bool


class SkidOut(BaseModel):
    """One skid. ``matters`` worst first; customers see none, no forecast and no learning."""

    id: str
    name: str
    site: str | None
    state: str
    newest: datetime | None
    oil: OilOut | None
    wash: WashOut | None
    matters: list[MatterOut]
    learning: list[LearningOut]
    not_watched: NotWatchedOut | None


class OneSkidOut(SkidOut):
    """One skid with its tanks, and those that it shares where it stands."""

    tanks: list[TankOut]


@router.get("/fleet", response_model=FleetOut)
def fleet(request: Request, viewer: Anybody) -> Response:
    """The fleet in force, and how its skids are."""
    house = house_of(request)
    summary = _summary(house)
    states = [str(out(line, viewer)["state"]) for line in lines_for(summary, viewer)]
    version = summary.fleet
    sites = [
        {"id": site.id, "name": site.name, "timezone": site.timezone}
        for site in version.fleet.sites
        if viewer.sees_site(site.id)
    ]
    counts = {state: states.count(state) for state in sorted(set(states))}
    tanks = [{**tank_out(one.tank), "matters": matters_out(one.matters)} for one in shared_for(summary, viewer)]
    body = {
        "fleet": version.fleet.fleet, "version": version.digest, "at": summary.at, "sites": sites, "skids": counts,
        "tanks": tanks,
    }  # fmt: skip
    return reply(request, body)


@router.get("/skids", response_model=Paged[SkidOut])
def skids(request: Request, viewer: Anybody, limit: Limit = 100, offset: Offset = 0) -> Response:
    """The skids that you may see, worst first."""
    lines = lines_for(_summary(house_of(request)), viewer)
    found = [out(line, viewer) for line in lines[offset : offset + limit + 1]]
    return reply(request, page(found, limit, offset))


@router.get("/skids/{skid}", response_model=OneSkidOut)
def skid(request: Request, viewer: Anybody, skid: Annotated[str, Path(pattern=ID)]) -> Response:
    """One skid."""
    house = house_of(request)
    summary = _summary(house)
    for line in lines_for(summary, viewer):
        if line.skid.id == skid:
            tanks = tanks_for(house, viewer, summary.fleet.fleet, line.skid, line.site, house.now())
            return reply(request, {**out(line, viewer), "tanks": [tank_out(one) for one in tanks]})
    raise not_here("skid", skid)


def out(line: Line, viewer: Viewer) -> dict[str, object]:
    """A line of the summary as this viewer may have it."""
    plain = viewer.customer
    oil, wash = line.oil, line.wash
    state = line.state if not plain or line.state in ("silent", "stopped", "late", "unseen") else "well"
    return {
        "id": line.skid.id,
        "name": line.skid.name,
        "site": line.site,
        "state": state,
        "newest": line.newest,
        "oil": oil
        and {"tag": oil.tag, "value": oil.value, "unit": oil.unit, "limit": oil.limit, "basis": oil.basis,
             "over": oil.over},
        "wash": None if plain or wash is None else {"unit": wash.unit, "when": wash.when, "low": wash.low,
                                                    "high": wash.high},
        "matters": [] if plain else matters_out(line.matters),
        "learning": [] if plain else learning_out(line.watched),
        "not_watched": None if plain else not_watched_out(line.watched),
    }  # fmt: skip


def _summary(house: House) -> Summary:
    found = house.summary.get()
    if found is None:
        raise RefusedError("no fleet version is in force", 503)
    return found
