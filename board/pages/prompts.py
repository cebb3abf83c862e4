"""Every prompt that stands, in the states of ISA-18.2: what still wants an answer first."""

from __future__ import annotations

from typing import Final

from fastapi import APIRouter, Request
from fastapi.responses import Response

from board import when
from board.access import Looking
from board.attention import SEVERITY
from board.house import house_of
from board.render import Nav, render, words_of

router = APIRouter(include_in_schema=False)
NAV: Final = Nav("/prompts", "nav.prompts", order=20)
MOST: Final = 300
STATES: Final = (
    "unacknowledged", "acknowledged", "returned-unacknowledged", "shelved", "out-of-service", "suppressed", "cleared",
)  # fmt: skip
"""The order of the list: what somebody still has to answer first."""


@router.get("/prompts")
def page(request: Request, viewer: Looking) -> Response:
    """The page."""
    house, t = house_of(request), words_of(request)
    fleet, now = house.fleet().fleet, house.now()
    sites = None if viewer.sites is None else sorted(viewer.sites)
    skids = {skid.id: skid.name for skid in fleet.skids if viewer.sees_skid(fleet, skid)}
    found = house.logbook.look.prompts(skids=list(skids), sites=sites, open_only=True, limit=MOST)
    found.sort(key=lambda one: (STATES.index(one.state), SEVERITY[one.priority]))  # stable: last changed first
    rows = [
        {
            "prompt": one,
            "skid": skids.get(one.skid, one.skid),
            "when": when.stamp(one.updated, now, when.zone_of(fleet, one.site), t),
            "age": when.span(now - one.created, t),
        }
        for one in found
    ]
    return render(request, "prompts.html", viewer, rows=rows)
