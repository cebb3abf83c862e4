"""Flood control: how many messages one person can take, and one message in place of the others.

EEMUA 191 (Alarm systems: a guide to design, management and procurement, 3rd ed.) and ANSI/ISA-18.2: more than 10
alarms in 10 minutes are a flood for one operator; it is over when there are fewer than 5 in 10 minutes.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from alerts import routing
from alerts.outbox import Outbox, Way
from skidhand.logbook import message_queries
from skidhand.logbook.prompt_work import PromptWork
from skidhand.model.prompt import Delivery

WINDOW: Final = timedelta(minutes=10)
MOST: Final = 10
OVER_BELOW: Final = 5
GATHER: Final = timedelta(minutes=1)
"""A summary waits so long for what else comes; another one follows a whole window later, if there is need."""

Line = tuple[str, str]
"""(person, channel)."""


def urgent_first(due: list[Delivery]) -> list[Delivery]:
    """What is most severe first, then what has waited longest: a flood keeps back the rest."""
    return sorted(due, key=lambda one: (-routing.RANK.index(one.priority), one.queued, str(one.id)))


@dataclass(slots=True)
class Flood:
    """Who has had how many messages; counts on while a round of sending goes."""

    sent: Counter[Line]
    kept: dict[Line, Delivery] = field(default_factory=dict)

    @classmethod
    def at(cls, book: PromptWork, now: datetime) -> Flood:
        """As the logbook has it."""
        return cls(message_queries.sent_since(book.rows(), now - WINDOW))

    def admits(self, delivery: Delivery, way: Way | None) -> bool:
        """True when it may go by itself. What reaches no person (a file, a webhook) always may."""
        line = (delivery.person, delivery.channel)
        if way is None or way.address == "none" or delivery.purpose in ("summary", "check-back") or delivery.attempts:
            return True
        if line not in self.kept and self.sent[line] < MOST:
            self.sent[line] += 1
            return True
        self.kept.setdefault(line, delivery)
        return False


def keep_back(book: PromptWork, outbox: Outbox, kept: list[Delivery], waiting: set[Line], now: datetime) -> None:
    """Mark ``kept`` (in one transaction) as told by a summary, and see that there is one for each person.

    ``waiting``: those for whom one is queued; who gets one here is added.
    """
    book.read_together(delivery.prompt for delivery in kept)
    kept = [one for one in kept if any(one.id == still.id for still in book.queued(one.prompt))]
    for delivery in kept:
        book.put(delivery.model_copy(update={"state": "summarised"}))
    first = {(one.person, one.channel): one for one in reversed(kept)}
    for line, delivery in first.items():
        prompt = book.prompt(delivery.prompt)
        if line not in waiting and prompt is not None:
            last = message_queries.last_summary(book.rows(), *line)
            due = now + GATHER if last is None else max(now + GATHER, last + WINDOW)
            outbox.summary(prompt, delivery, due)
            waiting.add(line)
