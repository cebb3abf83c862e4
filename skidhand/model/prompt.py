"""Prompts, their transitions, what was sent, and the answers that come back.

States and priorities are those of ANSI/ISA-18.2 and IEC 62682.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal
from uuid import UUID

from pydantic import AwareDatetime, Field
from pydantic.json_schema import SkipJsonSchema

from skidhand.model.finding import Finding, Shape
from skidhand.model.kinds import PromptKind, Route

PromptState = Literal[
    "unacknowledged",
    "acknowledged",
    "returned-unacknowledged",
    "cleared",
    "shelved",
    "suppressed",
    "out-of-service",
]
Priority = Literal["low", "medium", "high"]
Verb = Literal["acknowledge", "mine", "done", "false", "wait", "pass", "unshelve", "work"]
Purpose = Literal["prompt", "reminder", "check-back", "summary"]


class Prompt(Shape):
    """What a person receives about findings with one root. ``code`` answers it.

    Only what skidhand has to say about itself (``about``: it is blind, a work order ends) has no findings.
    """

    v: Literal[1] = 1
    id: UUID
    code: str = Field(pattern=r"^\d{3,6}$")
    kind: PromptKind
    state: PromptState
    priority: Priority
    route: Route
    site: str
    skid: str
    unit: str
    root: UUID
    findings: tuple[UUID, ...]
    title: str
    created: AwareDatetime
    updated: AwareDatetime
    shelved_until: AwareDatetime | None = None
    taken_by: str | None = None
    verdict: Literal["done", "false"] | None = None
    head: str = Field("", description="kind of the finding that it speaks of first")
    about: str | None = Field(None, description="what it speaks of, if not of findings: blind:NAME or work:ID")
    told_at: AwareDatetime | None = Field(None, description="when its first message was due: escalation counts from it")
    step: int = Field(0, ge=0, description="escalation steps gone")
    escalate_at: AwareDatetime | None = Field(None, description="when the next step is due; none: the clock stands")
    check_at: AwareDatetime | None = Field(None, description="when whoever took it is asked whether it still stands")
    return_at: AwareDatetime | None = Field(None, description="end of the off-delay: then it counts as back to normal")

    @property
    def wake_at(self) -> datetime | None:
        """When alerts must look at it again though nothing came in; None: never."""
        times = (self.escalate_at, self.check_at, self.return_at, self.shelved_until)
        return min((time for time in times if time is not None), default=None)


class Transition(Shape):
    """One change of a prompt's state: when, from what to what, by whom, why."""

    prompt: UUID
    at: AwareDatetime
    before: PromptState | None
    after: PromptState
    who: str
    why: str


@dataclass(frozen=True, slots=True)
class Enclosed:
    """What goes with a message on a channel that has room for more than its text, at the moment of sending.

    ``timezone`` is the site's (an IANA name). It is handed over in this process only, and no shape of its own.
    """

    findings: tuple[Finding, ...]
    timezone: str
    language: str


class Delivery(Shape):
    """One message to one person on one channel."""

    id: UUID
    prompt: UUID
    channel: str
    person: str
    address: str
    text: str
    state: Literal["queued", "sent", "failed", "expired", "summarised"]
    purpose: Purpose = "prompt"
    priority: Priority = "low"
    repeat: bool = False
    attempts: int = 0
    queued: AwareDatetime
    due: AwareDatetime | None = Field(None, description="not to be sent before: end of quiet hours, next try")
    expires: AwareDatetime | None = None
    sent: AwareDatetime | None = None
    error: str | None = None
    meant: AwareDatetime | None = Field(None, description="when it should first have gone: what leaves later says so")
    reference: str | None = Field(None, max_length=128, description="the gateway's own number for it, for receipts")
    receipt: Literal["delivered", "undelivered"] | None = None
    enclosed: SkipJsonSchema[Enclosed | None] = Field(None, exclude=True)  # not written down: findings are already


class Answer(Shape):
    """What somebody said to a prompt; alerts alone marks it accepted or refused."""

    id: UUID
    at: AwareDatetime
    who: str
    code: str
    verb: Verb
    text: str = ""
    channel: str
    state: Literal["waiting", "accepted", "refused"] = "waiting"
    reason: str | None = None
    judged: AwareDatetime | None = None


class Work(Shape):
    """A skid or one unit out of service until a time, because somebody works there or because it is planned.

    ``work``: what comes up meanwhile is logged and not sent, except call-outs, which reach ``who``.
    ``outage``: the skid is meant to stand; what comes up is suppressed by design.
    """

    v: Literal[1] = 1
    id: UUID
    skid: str
    unit: str | None = Field(None, description="one unit of it; none: the whole skid")
    kind: Literal["work", "outage"] = "work"
    who: str = Field(description="id on the roster")
    why: str = ""
    begins: AwareDatetime
    until: AwareDatetime
    ended: AwareDatetime | None = None
    begun: bool = False
    asked: AwareDatetime | None = Field(None, description="when alerts asked whether it goes on")
