"""Every prompt that stands, in the states of ISA-18.2: what still wants an answer first."""

from __future__ import annotations

from itertools import groupby
from typing import Annotated, Any, Final
from uuid import UUID

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import RedirectResponse, Response

from board import sentences, when
from board.access import Looking, may_write
from board.answering import Said, answer
from board.attention import SEVERITY
from board.house import house_of, not_here
from board.render import Nav, render, words_of
from board.viewer import Viewer
from skidhand.model.prompt import Prompt

router = APIRouter(include_in_schema=False)
NAV: Final = Nav("/prompts", "nav.prompts", order=20)
MOST: Final = 300
STATES: Final = (
    "unacknowledged", "acknowledged", "returned-unacknowledged", "shelved", "out-of-service", "suppressed", "cleared",
)  # fmt: skip
"""The order of the list: what somebody still has to answer first."""

DIRECT: Final[tuple[Said, ...]] = ("acknowledge", "mine", "done")
"""What is offered here for a prompt without a page of its own."""


@router.get("/prompts")
def page(request: Request, viewer: Looking, said: str = "") -> Response:
    """The page."""
    house, t = house_of(request), words_of(request)
    fleet, now = house.fleet().fleet, house.now()
    sites = None if viewer.sites is None else sorted(viewer.sites)
    names = viewer.places(fleet)
    found = house.logbook.look.prompts(skids=list(names), sites=sites, open_only=True, limit=MOST)
    found.sort(key=lambda one: (STATES.index(one.state), SEVERITY[one.priority]))  # stable: last changed first
    titles = sentences.titles(house, found, t)

    def row(one: Prompt) -> dict[str, Any]:
        zone = when.zone_of(fleet, one.site)
        return {
            "prompt": one,
            "skid": names.get(one.skid, one.skid),
            "title": titles[one.id],
            "when": when.stamp(one.created, now, zone, t),
            "until": when.stamp(one.shelved_until, now, zone, t) if one.shelved_until else "",
        }

    groups = [(state, [row(one) for one in some]) for state, some in groupby(found, key=lambda one: one.state)]
    may = viewer.may("answer") and viewer.via != "open"
    return render(request, "prompts.html", viewer, groups=groups, verbs=DIRECT if may else (), said=said == "yes")


@router.post("/prompts/{prompt}/answers")
def say(
    request: Request,
    viewer: Annotated[Viewer, Depends(may_write("answer"))],
    prompt: UUID,
    verb: Annotated[Said, Form()],
) -> Response:
    """Answer a prompt that is about no finding, and so has no page of its own."""
    house = house_of(request)
    found = house.logbook.prompts.get(prompt)
    if found is None or not viewer.sees_site(found.site):
        raise not_here("prompt", str(prompt))
    answer(house, viewer, found, verb, "", house.now())
    return RedirectResponse("/prompts?said=yes", status_code=303)
