"""The fleet and its skids as the fleet page shows them."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import Path, Request
from fastapi.responses import Response
from pydantic import BaseModel

from board.access import Anybody
from board.api.common import ID, Limit, Offset, Paged, page, reply, resource
from board.errors import RefusedError
from board.house import House, house_of, not_here
from board.pages.fleet import lines_for
from board.summary import Line, Summary
from board.viewer import Viewer

router = resource("fleet")


class SiteOut(BaseModel):
    """A pad."""

    id: str
    name: str
    timezone: str


class FleetOut(BaseModel):
    """The fleet in force. ``skids`` counts those that you may see, by state."""

    fleet: str
    version: str
    at: datetime
    sites: list[SiteOut]
    skids: dict[str, int]


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


class MatterOut(BaseModel):
    """A finding that stands, and the prompt about it."""

    finding: str
    kind: str
    unit: str
    severity: str
    cause: str | None
    onset: datetime
    state: str
    prompt: str | None


class SkidOut(BaseModel):
    """One skid. ``matters`` worst first; customers see none, and no forecast."""

    id: str
    name: str
    site: str | None
    state: str
    newest: datetime | None
    oil: OilOut | None
    wash: WashOut | None
    matters: list[MatterOut]


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
    body = {"fleet": version.fleet.fleet, "version": version.digest, "at": summary.at, "sites": sites, "skids": counts}
    return reply(request, body)


@router.get("/skids", response_model=Paged[SkidOut])
def skids(request: Request, viewer: Anybody, limit: Limit = 100, offset: Offset = 0) -> Response:
    """The skids that you may see, worst first."""
    lines = lines_for(_summary(house_of(request)), viewer)
    found = [out(line, viewer) for line in lines[offset : offset + limit + 1]]
    return reply(request, page(found, limit, offset))


@router.get("/skids/{skid}", response_model=SkidOut)
def skid(request: Request, viewer: Anybody, skid: Annotated[str, Path(pattern=ID)]) -> Response:
    """One skid."""
    for line in lines_for(_summary(house_of(request)), viewer):
        if line.skid.id == skid:
            return reply(request, out(line, viewer))
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
        "matters": [] if plain else [
            {"finding": str(m.finding.id), "kind": m.finding.kind, "unit": m.finding.unit,
             "severity": m.finding.severity, "cause": m.finding.cause, "onset": m.finding.onset, "state": m.state,
             "prompt": str(m.prompt.id) if m.prompt else None}
            for m in line.matters
        ],
    }  # fmt: skip


def _summary(house: House) -> Summary:
    found = house.summary.get()
    if found is None:
        raise RefusedError("no fleet version is in force", 503)
    return found
