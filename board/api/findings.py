"""Findings and prompts as the logbook has them, and answers to prompts."""

from __future__ import annotations

from typing import Annotated, Literal
from uuid import UUID

from fastapi import Depends, Query, Request
from fastapi.responses import Response
from pydantic import BaseModel, Field

from board.access import Looking, may_write
from board.answering import Said, answer
from board.api.common import ID, Limit, Offset, Paged, page, reply, resource, sites_for
from board.house import House, house_of, not_here
from board.pages.event import seen
from board.viewer import Viewer
from skidhand.model.finding import Finding
from skidhand.model.prompt import Answer, Prompt, Transition

router = resource("findings and prompts")

SkidFilter = Annotated[
    str | None, Query(pattern=ID, description="only of this skid, or of the tanks that skids of this site share")
]


class MessageOut(BaseModel):
    """One message about a prompt, without its address."""

    person: str
    channel: str
    text: str
    state: str
    queued: str
    sent: str | None


class PromptOut(BaseModel):
    """A prompt with its history, its messages and the answers to its code."""

    prompt: Prompt
    history: list[Transition]
    messages: list[MessageOut]
    answers: list[Answer]


class AnswerIn(BaseModel):
    """What is said to a prompt. ``text``: for how long (``wait``: 30m, 4h, 2d), to whom (``pass``), or a remark."""

    verb: Said
    text: str = Field("", max_length=300, pattern=r"^[^\x00]*$")


@router.get("/findings", response_model=Paged[Finding])
def findings(
    request: Request,
    viewer: Looking,
    skid: SkidFilter = None,
    state: Annotated[Literal["open", "closed"] | None, Query(description="only in this state")] = None,
    limit: Limit = 100,
    offset: Offset = 0,
) -> Response:
    """The newest revision of each finding, newest onset first."""
    house = house_of(request)
    skids = [one for one in viewer.places(house.fleet().fleet) if skid in (None, one)]
    found = house.logbook.look.findings(
        skids=skids, sites=sites_for(viewer), state=state, limit=limit + 1, offset=offset
    )
    return reply(request, page(found, limit, offset))


@router.get("/findings/{finding}", response_model=Finding)
def finding(request: Request, viewer: Looking, finding: UUID) -> Response:
    """One finding with its evidence."""
    return reply(request, seen(house_of(request), viewer, finding))


@router.get("/prompts", response_model=Paged[Prompt])
def prompts(
    request: Request,
    viewer: Looking,
    skid: SkidFilter = None,
    open: Annotated[bool, Query(description="only those that are not cleared")] = True,
    limit: Limit = 100,
    offset: Offset = 0,
) -> Response:
    """Prompts, the last changed first."""
    house = house_of(request)
    skids = [one for one in viewer.places(house.fleet().fleet) if skid in (None, one)]
    found = house.logbook.look.prompts(
        skids=skids, sites=sites_for(viewer), open_only=open, limit=limit + 1, offset=offset
    )
    return reply(request, page(found, limit, offset))


@router.get("/prompts/{prompt}", response_model=PromptOut)
def prompt(request: Request, viewer: Looking, prompt: UUID) -> Response:
    """One prompt with all that was sent and said."""
    house = house_of(request)
    found = _prompt(house, viewer, prompt)
    messages = [
        {"person": one.person, "channel": one.channel, "text": one.text, "state": one.state, "queued": one.queued,
         "sent": one.sent}
        for one in house.logbook.prompts.deliveries(found.id)
    ]  # fmt: skip
    history, answers = house.logbook.prompts.history(found.id), house.logbook.answers.about(found)
    return reply(request, {"prompt": found, "history": history, "messages": messages, "answers": answers})


@router.post("/prompts/{prompt}/answers", response_model=Answer, status_code=202)
def say(
    request: Request,
    viewer: Annotated[Viewer, Depends(may_write("answer"))],
    prompt: UUID,
    body: AnswerIn,
) -> Response:
    """Answer a prompt; alerts judges it within seconds (see the prompt's answers)."""
    house = house_of(request)
    found = _prompt(house, viewer, prompt)
    return reply(request, answer(house, viewer, found, body.verb, body.text, house.now()), 202)


def _prompt(house: House, viewer: Viewer, prompt: UUID) -> Prompt:
    found = house.logbook.prompts.get(prompt)
    if found is None or not viewer.sees_site(found.site):
        raise not_here("prompt", str(prompt))
    return found
