"""Takes what people send, and writes an answer for alerts to judge. It changes no prompt itself.

Whoever sends must be on the roster; what is sent twice counts once; wrong codes are few before nothing counts for a
while. Everything that is not taken is counted by its reason, and goes into the log without number or text.
"""

from __future__ import annotations

import re
import threading
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final
from uuid import UUID, uuid4, uuid5

import structlog

from alerts.channels.private import masked_address
from alerts.inbound import links
from alerts.inbound.limits import Limit
from alerts.inbound.spoken import Said, UnclearError, said
from alerts.wording import digits
from alerts.words import Words, words_in
from skidhand.clock import Clock, monotonic
from skidhand.fleet import Fleet
from skidhand.fleet.roster import Person
from skidhand.logbook import Logbook
from skidhand.model.prompt import Answer, Delivery, Prompt

MESSAGES: Final = (30, 600.0)
GUESSES: Final = (5, 3600.0)
"""Texts of one sender in ten minutes, and codes that no prompt has in an hour. Common practice, no source: of 9,000
codes ten open ones are met by five guesses an hour once in about 180 hours, by a number that is on the roster."""

_ANSWERS: Final = UUID("4b1b6c0e-3f5e-5e0b-9c62-6d7d6f5a9a10")

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of one message: ``reply`` goes back to its sender, ``refused`` is the reason it is counted by."""

    reply: str = ""
    refused: str | None = None


class Desk:
    """Takes messages of one installation. Threads may share it.

    ``wait`` is how long, in seconds, a reply waits for the verdict of alerts.
    """

    def __init__(
        self, logbook: Logbook, clock: Clock, *, wait: float = 3.0, now: Callable[[], float] = monotonic
    ) -> None:
        self._logbook = logbook
        self._clock = clock
        self._wait = wait
        self._monotonic = now
        self._fleet: tuple[str | None, Fleet | None] = (None, None)
        self._lock = threading.Lock()
        self._messages = Limit(*MESSAGES, now)
        self._guesses = Limit(*GUESSES, now)
        self.counts: Counter[str] = Counter()

    def text(self, sender: str, text: str, channel: str, message: str | None = None) -> Taken:
        """A text of ``sender``; ``message`` is the gateway's own number of it, by which a second copy is known."""
        person = self._person(sender)
        if person is None:
            return self._refused("unknown-sender", sender)
        words = words_in(person.language)
        if reason := self._too_many(person.id):
            return self._refused(reason, sender)
        try:
            found = said(text, {prompt.code for prompt in self._logbook.prompts.open()})
        except UnclearError:
            code = next((prompt.code for prompt in self._logbook.prompts.told(person.id)), "CODE")
            help_ = f"{words.unclear} {words.answer.format(code=code)} {digits(words)}"
            return self._refused("not-understood", sender, help_)
        meant = found.code or self._meant(person)
        if isinstance(meant, Taken):
            return meant
        return self._written(person, Said(found.verb, meant, found.text), channel, message)

    def link(self, link: links.Link, remark: str) -> Taken:
        """Somebody confirmed what a link says. Each link counts once."""
        delivery, prompt, person = self.behind(link)
        if delivery is None or prompt is None or person is None:
            return self._refused("unknown-link", str(link.delivery))
        if reason := self._too_many(person.id):
            return self._refused(reason, delivery.address)
        words = words_in(person.language)
        if not self.usable(link):
            return self._refused("replayed", delivery.address, words.page["used"])
        said_ = Said(link.verb, prompt.code, remark[:480])
        return self._written(person, said_, f"link ({delivery.channel})", f"{link.delivery}.{link.verb}")

    def behind(self, link: links.Link) -> tuple[Delivery | None, Prompt | None, Person | None]:
        """The message that a link came with, its prompt, and to whom it went if they are still on the roster."""
        delivery = self._logbook.prompts.delivery(link.delivery)
        if delivery is None:
            return None, None, None
        fleet = self._current_fleet()
        person = next((p for p in fleet.roster.people if p.id == delivery.person), None) if fleet else None
        return delivery, self._logbook.prompts.get(delivery.prompt), person

    def usable(self, link: links.Link) -> bool:
        """False once a link has been used, is too old, or its prompt is closed."""
        delivery, prompt, _ = self.behind(link)
        now = self._clock.now()
        if delivery is None or prompt is None or now is None or prompt.state == "cleared":
            return False
        used = self._logbook.answers.get(_answer_id(f"link ({delivery.channel})", f"{link.delivery}.{link.verb}"))
        return used is None and not links.expired(delivery.sent or delivery.queued, now)

    def _meant(self, person: Person) -> str | Taken:
        """The code of the one open prompt that ``person`` was told of."""
        told = self._logbook.prompts.told(person.id)
        if len(told) == 1:
            return told[0].code
        words = words_in(person.language)
        codes = ", ".join(prompt.code for prompt in told[:8])
        reply = words.which.format(codes=codes) if told else words.none_open
        return self._refused("no-code", person.id, reply)

    def _written(self, person: Person, spoken: Said, channel: str, message: str | None) -> Taken:
        now = self._clock.now()
        if now is None or spoken.code is None:
            return self._refused("no-time", person.id)
        known = self._logbook.prompts.by_code(spoken.code) is not None
        answer = Answer(
            id=_answer_id(channel, message) if message else uuid4(),
            at=now,
            who=person.id,
            code=spoken.code,
            verb=spoken.verb,
            text=spoken.text,
            channel=channel,
        )
        with self._lock:
            if self._logbook.answers.get(answer.id) is not None:
                self.counts["replayed"] += 1
                return Taken(refused="replayed")
            self._logbook.answers.add(answer)
            if not known:
                self._guesses.count(person.id)
            self.counts["taken" if known else "wrong-code"] += 1
        return Taken(self._verdict(answer, words_in(person.language)), None if known else "wrong-code")

    def _verdict(self, answer: Answer, words: Words) -> str:
        """What alerts made of it, if it says so in time; nothing otherwise, rather than a guess."""
        end, pause = self._monotonic() + self._wait, threading.Event()
        judged: Answer | None = answer
        while judged is not None and judged.state == "waiting" and self._monotonic() < end:
            pause.wait(0.05)
            judged = self._logbook.answers.get(answer.id)
        if judged is None or judged.state == "waiting":
            return ""
        if judged.state == "refused":
            return words.refused.format(code=answer.code, why=judged.reason or "")
        told = words.done_taken if answer.verb == "done" else words.taken
        text = told.format(code=answer.code, verb=words.verbs[answer.verb][0])
        # Who has only seen it is told what else can be said: there may have been no room for that in the message.
        return f"{text} {digits(words)}" if answer.verb == "acknowledge" else text

    def _too_many(self, person: str) -> str | None:
        """Why nothing of ``person`` counts now, if so; otherwise this one is counted."""
        with self._lock:
            if self._guesses.reached(person):
                return "locked"
            if self._messages.reached(person):
                return "too-many"
            self._messages.count(person)
        return None

    def _refused(self, reason: str, sender: str, reply: str = "") -> Taken:
        with self._lock:
            self.counts[reason] += 1
        log.warning("an answer was not taken", why=reason, sender=masked_address(sender))
        return Taken(reply, reason)

    def _person(self, sender: str) -> Person | None:
        """Whose number it is: gateways write it with a plus, with two zeros, or with neither."""
        fleet, number = self._current_fleet(), re.sub(r"\D", "", sender).removeprefix("00")
        people = fleet.roster.people if fleet else ()
        return next((p for p in people if number and p.phone and p.phone.removeprefix("+") == number), None)

    def _current_fleet(self) -> Fleet | None:
        digest = self._logbook.fleets.digest()
        if digest != self._fleet[0]:
            version = self._logbook.fleets.current()
            self._fleet = (digest, version.fleet if version else None)
        return self._fleet[1]


def _answer_id(channel: str, message: str) -> UUID:
    """Equal for equal messages, so that a second copy has no second effect."""
    return uuid5(_ANSWERS, f"{channel}\x1f{message}")
