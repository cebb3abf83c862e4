"""Messages to be sent, written in the same transaction as the prompt's change that asks for them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final
from uuid import uuid4

from alerts import routing, wording
from alerts.channels.base import Address
from skidhand.fleet import Fleet
from skidhand.fleet.model import Person
from skidhand.logbook.prompts import PromptWork
from skidhand.model.finding import Finding
from skidhand.model.prompt import Delivery, Prompt

STALE_AFTER: Final = timedelta(hours=12)
"""A message that could not be sent for so long would mislead; it is given up, and says so in the logbook."""


class Outbox:
    """Queues, refreshes and withdraws the messages of prompts inside one transaction."""

    def __init__(self, book: PromptWork, fleet: Fleet, now: datetime, channels: Mapping[str, Address]) -> None:
        self._book = book
        self._fleet = fleet
        self._now = now
        self._channels = channels
        self.queued = 0
        self.nobody = 0

    def tell(self, prompt: Prompt, standing: Sequence[Finding], to: Person | None = None) -> None:
        """Queue the prompt's message on every channel, in place of one that still waits.

        It goes to ``to``, else to who has taken the prompt, else to the first of the duty; to the next of the duty
        where that person has no address that a channel needs. The desk is not sent to.
        """
        due = routing.send_from(self._now, prompt.route, prompt.priority, self._fleet, prompt.site)
        if due is None:
            return
        self.withdraw(prompt, "a newer message took its place")
        people = self._people(prompt, to)
        if not people:
            self.nobody += 1
            self._put_failed(prompt, f"no duty of the roster covers site {prompt.site!r}")
            return
        at = next((i for i, person in enumerate(people) if self._reachable(person)), None)
        for skipped in people[:at]:
            self._skip(prompt, skipped)
        self.nobody += at is None
        self._queue(prompt, people[at or 0], standing, due)  # a file or a webhook hears of it in any case

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

    def _queue(self, prompt: Prompt, person: Person, standing: Sequence[Finding], due: datetime) -> None:
        reachable = self._reachable(person)
        text = wording.text_of(prompt, standing, self._fleet, now=due, language=person.language)
        for channel, need in self._channels.items():
            if _address(person, need) is not None:
                self._book.put(self._delivery(prompt, channel, person, text, due))
                self.queued += 1
            elif reachable:
                self._put_failed(prompt, _lacks(person, need), channel, person)

    def _people(self, prompt: Prompt, to: Person | None) -> list[Person]:
        """Who may be told, first to last, each once."""
        taken = routing.person_of(self._fleet, prompt.taken_by) if prompt.taken_by else None
        first = to or taken
        duty = routing.duty_list(self._fleet, prompt.site)
        return [*([first] if first else []), *(person for person in duty if person != first)]

    def _reachable(self, person: Person) -> bool:
        """False when channels need addresses and ``person`` has none of them."""
        needs = set(self._channels.values()) - {"none"}
        return not needs or any(_address(person, need) is not None for need in needs)

    def _skip(self, prompt: Prompt, person: Person) -> None:
        for channel, need in self._channels.items():
            if need != "none":
                self._put_failed(prompt, _lacks(person, need), channel, person)

    def _delivery(self, prompt: Prompt, channel: str, person: Person, text: str, due: datetime) -> Delivery:
        return Delivery(
            id=uuid4(),
            prompt=prompt.id,
            channel=channel,
            person=person.id,
            address=_address(person, self._channels[channel]) or person.id,
            text=text,
            state="queued",
            queued=self._now,
            due=due,
            expires=due + STALE_AFTER,
        )

    def _put_failed(self, prompt: Prompt, why: str, channel: str = "", person: Person | None = None) -> None:
        self._book.put(
            Delivery(
                id=uuid4(),
                prompt=prompt.id,
                channel=channel,
                person=person.id if person else "",
                address="",
                text=prompt.title,
                state="failed",
                queued=self._now,
                error=why,
            )
        )


def _address(person: Person, need: Address) -> str | None:
    """Where a channel sends to; what needs no address is given one all the same, to say who is meant."""
    match need:
        case "phone":
            return person.phone
        case "email":
            return person.email
        case "none":
            return person.phone or person.email or person.id


def _lacks(person: Person, need: Address) -> str:
    return f"{person.id} has no {need} in the fleet file"
