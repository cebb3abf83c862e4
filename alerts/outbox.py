"""Messages to be sent, written in the same transaction as the prompt's change that asks for them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final
from uuid import uuid4

from alerts import routing, wording
from skidhand.fleet import Fleet
from skidhand.fleet.model import Person
from skidhand.logbook.prompts import PromptWork
from skidhand.model.finding import Finding
from skidhand.model.prompt import Delivery, Prompt

STALE_AFTER: Final = timedelta(hours=12)
"""A message that could not be sent for so long would mislead; it is given up, and says so in the logbook."""


class Outbox:
    """Queues, refreshes and withdraws the messages of prompts inside one transaction."""

    def __init__(self, book: PromptWork, fleet: Fleet, now: datetime, channels: Sequence[str]) -> None:
        self._book = book
        self._fleet = fleet
        self._now = now
        self._channels = channels
        self.queued = 0
        self.nobody = 0

    def tell(self, prompt: Prompt, standing: Sequence[Finding], to: Person | None = None) -> None:
        """Queue the prompt's message on every channel, in place of one that still waits.

        It goes to ``to``, else to who has taken the prompt, else to the first of the duty. The desk is not sent to.
        """
        due = routing.send_from(self._now, prompt.route, prompt.priority, self._fleet, prompt.site)
        if due is None:
            return
        self.withdraw(prompt, "a newer message took its place")
        person = to or self._holder(prompt)
        if person is None:
            self._put_failed(prompt, f"no duty of the roster covers site {prompt.site!r}")
            return
        text = wording.text_of(prompt, standing, self._fleet, now=due, language=person.language)
        for channel in self._channels:
            self._book.put(self._delivery(prompt, channel, person, text, due))
            self.queued += 1

    def refresh(self, prompt: Prompt, standing: Sequence[Finding]) -> None:
        """Bring messages that nobody has tried to send yet up to date."""
        for waiting in self._book.queued(prompt.id):
            person = routing.person_of(self._fleet, waiting.person)
            if waiting.attempts == 0 and person is not None:
                due = max(self._now, waiting.due or self._now)
                text = wording.text_of(prompt, standing, self._fleet, now=due, language=person.language)
                self._book.put(waiting.model_copy(update={"text": text}))

    def withdraw(self, prompt: Prompt, why: str) -> None:
        """Messages of ``prompt`` that still wait are not sent any more."""
        for waiting in self._book.queued(prompt.id):
            self._book.put(waiting.model_copy(update={"state": "expired", "error": why}))

    def _holder(self, prompt: Prompt) -> Person | None:
        taken = routing.person_of(self._fleet, prompt.taken_by) if prompt.taken_by else None
        return taken or next(iter(routing.duty_list(self._fleet, prompt.site)), None)

    def _delivery(self, prompt: Prompt, channel: str, person: Person, text: str, due: datetime) -> Delivery:
        return Delivery(
            id=uuid4(),
            prompt=prompt.id,
            channel=channel,
            person=person.id,
            address=person.phone or person.email or person.id,
            text=text,
            state="queued",
            queued=self._now,
            due=due,
            expires=due + STALE_AFTER,
        )

    def _put_failed(self, prompt: Prompt, why: str) -> None:
        self.nobody += 1
        self._book.put(
            Delivery(
                id=uuid4(),
                prompt=prompt.id,
                channel="",
                person="",
                address="",
                text=prompt.title,
                state="failed",
                queued=self._now,
                error=why,
            )
        )
