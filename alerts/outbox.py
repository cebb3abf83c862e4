"""Messages to be sent, written in the same transaction as the prompt's change that asks for them.

One message to one person: the first channel that can reach them. What fails for good is handed over to the next
channel, then to the next person. The text is written when it is sent, so it can't be older than what it says.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final, NamedTuple
from uuid import uuid4

from alerts import routing
from alerts.channels.base import Address, Channel, Part
from skidhand.fleet import Fleet
from skidhand.fleet.roster import Person
from skidhand.logbook.prompt_work import PromptWork
from skidhand.model.finding import Finding
from skidhand.model.prompt import Delivery, Prompt, Purpose

STALE_AFTER: Final = timedelta(hours=12)
"""A message that could not be sent for so long would mislead; it is given up, and says so in the logbook."""
ASK_AGAIN: Final = timedelta(minutes=15)
"""Where the roster has nobody, or nobody can be reached, it is tried again so much later."""


class Way(NamedTuple):
    """What the outbox must know of a channel."""

    address: Address
    part: Part


def way_of(channel: Channel) -> Way:
    """What a channel needs and is for; a telephone's is the message itself unless the channel says otherwise."""
    usual: Part = "message" if channel.address == "phone" else "copy"
    return Way(channel.address, getattr(channel, "part", usual))


class Outbox:
    """Queues, hands over and withdraws the messages of prompts inside one transaction."""

    def __init__(self, book: PromptWork, fleet: Fleet, now: datetime, ways: Mapping[str, Way]) -> None:
        self._book = book
        self._fleet = fleet
        self._now = now
        self._ways = ways
        self.queued = 0
        self.nobody = 0

    def tell(self, prompt: Prompt, standing: Sequence[Finding], to: str | None = None) -> Prompt:
        """Queue the prompt's message, in place of one that still waits, and start the escalation clock.

        It goes to ``to``, else to who has taken the prompt, else to the first on duty; to the next where that
        person has no address that a channel needs. The desk is not sent to. Gives the prompt as saved.
        """
        due = self._due(prompt, standing)
        if due is None:
            return prompt
        self.withdraw(prompt, "a newer message took its place")
        return self._send(self.wind(prompt, due), self._people(prompt, standing, to, due), "prompt", due)

    def wind(self, prompt: Prompt, due: datetime | None = None) -> Prompt:
        """Start the escalation clock at ``due`` (default: now); saved."""
        if prompt.route == "desk":
            return prompt
        begin = due or self._now
        steps = self._fleet.roster.escalation.minutes
        first = begin + timedelta(minutes=steps[0]) if steps else None
        clock = {"told_at": begin, "step": 0, "escalate_at": first, "check_at": None}
        wound = prompt.model_copy(update=clock)
        self._book.save(wound)
        return wound

    def again(self, prompt: Prompt, standing: Sequence[Finding], person: Person, purpose: Purpose) -> Prompt:
        """Queue a reminder or a check-back to ``person``; those behind in line where they can't be reached."""
        due = routing.send_from(self._now, prompt.route, prompt.priority, self._fleet, prompt.site, person)
        if due is None:
            return prompt
        self.withdraw(prompt, "a newer message took its place")
        people = self._people(prompt, standing, person.id, due)
        return self._send(prompt, people, purpose, due)

    def line(self, prompt: Prompt, standing: Sequence[Finding]) -> tuple[Person, ...]:
        """Who is on duty for it now, first to last."""
        return routing.line(prompt, standing, self._fleet, self._now)

    def hand_over(self, delivery: Delivery, prompt: Prompt, standing: Sequence[Finding], why: str) -> None:
        """``delivery`` has failed for good: the next channel, the next person, or the same once more, later."""
        self._book.put(delivery.model_copy(update={"state": "failed", "error": why}))
        began = prompt.told_at or prompt.created
        tried = {
            (one.person, one.channel)
            for one in self._book.messages(prompt.id)
            if max(one.queued, one.meant or one.queued) >= began
        } | {(delivery.person, delivery.channel)}
        for person in self._people(prompt, standing, delivery.person, self._now):
            for channel in self._messages_to(person):
                if (person.id, channel) not in tried:
                    self._put(prompt, channel, person, delivery.purpose, self._now, meant=delivery.meant)
                    return
        self.nobody += 1
        later = {"state": "queued", "due": self._now + ASK_AGAIN, "attempts": 0, "receipt": None, "error": why}
        self._book.put(delivery.model_copy(update=later))

    def summary(self, prompt: Prompt, delivery: Delivery, due: datetime) -> None:
        """Queue one message to ``delivery``'s person that stands for all that a flood kept back."""
        person = self._fleet.roster.person(delivery.person)
        if person is not None:
            self._put(prompt, delivery.channel, person, "summary", due)

    def withdraw(self, prompt: Prompt, why: str) -> None:
        """Messages of ``prompt`` that still wait are not sent any more."""
        for waiting in self._book.queued(prompt.id):
            if waiting.purpose != "summary":
                self._book.put(waiting.model_copy(update={"state": "expired", "error": why}))

    def _due(self, prompt: Prompt, standing: Sequence[Finding]) -> datetime | None:
        """The earliest moment: after the on-delay, and of an order, when delivery time wants it."""
        start = self._now
        if not self._book.told(prompt.id) and standing:
            wait = max(routing.delay_of(finding.kind, self._fleet).on_delay for finding in standing)
            start = max(start, prompt.created + timedelta(minutes=wait))
        if prompt.kind == "order":
            start = routing.order_from(start, standing, self._fleet)
        return routing.send_from(start, prompt.route, prompt.priority, self._fleet, prompt.site)

    def _send(self, prompt: Prompt, people: Sequence[Person], purpose: Purpose, due: datetime) -> Prompt:
        if not people:
            self.nobody += 1
            self._put_failed(prompt, f"no duty of the roster covers site {prompt.site!r}")
            return self._later(prompt)
        at = next((i for i, person in enumerate(people) if self._reachable(person)), None)
        for skipped in people[:at]:
            for channel, way in self._ways.items():
                if way.address != "none":
                    self._put_failed(prompt, _lacks(skipped, way.address), channel, skipped)
        self.nobody += at is None
        person = people[at or 0]  # a file or a webhook hears of it in any case
        due = routing.send_from(due, prompt.route, prompt.priority, self._fleet, prompt.site, person) or due
        for channel in self._channels_for(prompt, person, due):
            self._put(prompt, channel, person, purpose, due)
        return prompt if at is not None else self._later(prompt)

    def _later(self, prompt: Prompt) -> Prompt:
        """Nobody could be told: look again soon, whatever the steps."""
        waiting = prompt.model_copy(update={"escalate_at": self._now + ASK_AGAIN})
        self._book.save(waiting)
        return waiting

    def _channels_for(self, prompt: Prompt, person: Person, due: datetime) -> Iterator[str]:
        """The first channel for the message, those that ring if it may not wait, and all copies."""
        reachable = self._reachable(person)
        rings = prompt.route == "phone" and (
            prompt.priority == "high" or routing.by_night(due, self._fleet, prompt.site)
        )
        message = next(self._messages_to(person), None)
        for channel, (address, part) in self._ways.items():
            if _address(person, address) is None:
                if reachable:
                    self._put_failed(prompt, _lacks(person, address), channel, person)
            elif channel == message or part == "copy" or (part == "ring" and rings):
                yield channel

    def _messages_to(self, person: Person) -> Iterator[str]:
        for channel, (address, part) in self._ways.items():
            if part == "message" and _address(person, address) is not None:
                yield channel

    def _people(self, prompt: Prompt, standing: Sequence[Finding], to: str | None, at: datetime) -> list[Person]:
        """Who may be told, first to last, each once."""
        first = self._fleet.roster.person(to or prompt.taken_by or "")
        duty = routing.line(prompt, standing, self._fleet, at)
        return [*([first] if first else []), *(person for person in duty if person != first)]

    def _reachable(self, person: Person) -> bool:
        """False when channels need addresses and ``person`` has none of them."""
        needs = {way.address for way in self._ways.values()} - {"none"}
        return not needs or any(_address(person, need) is not None for need in needs)

    def _put(
        self,
        prompt: Prompt,
        channel: str,
        person: Person,
        purpose: Purpose,
        due: datetime,
        meant: datetime | None = None,
    ) -> None:
        self.queued += 1
        self._book.put(
            Delivery(
                id=uuid4(),
                prompt=prompt.id,
                channel=channel,
                person=person.id,
                address=_address(person, self._ways[channel].address) or person.id,
                text=prompt.title,
                state="queued",
                purpose=purpose,
                priority=prompt.priority,
                queued=self._now,
                due=due,
                meant=meant or due,
                expires=due + STALE_AFTER,
            )
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
