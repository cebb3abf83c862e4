"""Prompts, their transitions, what was sent, and the answers that come back.

States and priorities are those of ANSI/ISA-18.2 and IEC 62682.
"""

from __future__ import annotations

from typing import Literal
from uuid import UUID

from pydantic import AwareDatetime, Field

from skidhand.model.finding import Shape
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
Verb = Literal["acknowledge", "mine", "done", "false", "wait", "pass"]


class Prompt(Shape):
    """What a person receives about findings with one root. ``code`` answers it."""

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


class Transition(Shape):
    """One change of a prompt's state: when, from what to what, by whom, why."""

    prompt: UUID
    at: AwareDatetime
    before: PromptState | None
    after: PromptState
    who: str
    why: str


class Delivery(Shape):
    """One message to one person on one channel."""

    id: UUID
    prompt: UUID
    channel: str
    person: str
    address: str
    text: str
    state: Literal["queued", "sent", "failed", "expired"]
    repeat: bool = False
    attempts: int = 0
    queued: AwareDatetime
    due: AwareDatetime | None = Field(None, description="not to be sent before: end of quiet hours, next try")
    expires: AwareDatetime | None = None
    sent: AwareDatetime | None = None
    error: str | None = None


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
