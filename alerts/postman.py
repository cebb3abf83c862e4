"""Hands queued messages to channels: at least once, each on its own, again later when that failed."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Final

import structlog

from alerts import grouping, routing, wording
from alerts.channels.base import Channel
from alerts.lifecycle import UNACKNOWLEDGED
from skidhand.errors import ChannelError
from skidhand.fleet import Fleet
from skidhand.logbook import Logbook
from skidhand.logbook.prompts import PromptWork
from skidhand.model.prompt import Delivery, Prompt

FIRST_RETRY: Final = timedelta(seconds=30)
LONGEST_RETRY: Final = timedelta(minutes=15)
MOST_ATTEMPTS: Final = 8
"""Common practice, no source: half a minute doubled to a quarter of an hour, given up after about half an hour."""

log = structlog.get_logger(__name__)


def retry_after(attempts: int, rng: random.Random) -> timedelta:
    """How long to wait after the ``attempts``-th failure: doubled each time, capped, half to one and a half of it."""
    wait: timedelta = min(FIRST_RETRY * 2.0 ** min(attempts - 1, 10), LONGEST_RETRY)
    return wait * rng.uniform(0.5, 1.5)


class Postman:
    """Sends what is due. What was begun and never recorded goes out again, marked as a repeat."""

    def __init__(self, logbook: Logbook, channels: Mapping[str, Channel], rng: random.Random) -> None:
        self._logbook = logbook
        self._channels = channels
        self._rng = rng

    def deliver(self, fleet: Fleet, now: datetime) -> Counter[str]:
        """Try every due delivery once; counts by outcome (``sent``, ``failed``, ``expired``)."""
        outcome: Counter[str] = Counter()
        with self._logbook.prompts.work() as book:
            due = [one for one in book.queued() if one.due is None or one.due <= now]
        for waiting in due:
            ready = self._begin(waiting, fleet, now)
            outcome[self._send(ready, now) if ready is not None else "expired"] += 1
        return outcome

    def _begin(self, waiting: Delivery, fleet: Fleet, now: datetime) -> Delivery | None:
        """Write down that it is tried, before it is; None when it must not be sent any more."""
        with self._logbook.prompts.work() as book:
            delivery, prompt = book.delivery(waiting.id), book.prompt(waiting.prompt)
            if delivery is None or prompt is None or delivery.state != "queued":
                return None
            if reason := _too_late(delivery, prompt, now):
                book.put(delivery.model_copy(update={"state": "expired", "error": reason}))
                return None
            repeat = delivery.repeat or (delivery.attempts > 0 and delivery.error is None)
            text = _repeated(book, delivery, prompt, fleet, now) if repeat else delivery.text
            ready = delivery.model_copy(
                update={"attempts": delivery.attempts + 1, "error": None, "repeat": repeat, "text": text}
            )
            book.put(ready)
        return ready

    def _send(self, delivery: Delivery, now: datetime) -> str:
        try:
            self._channel(delivery.channel).send(delivery)
        except ChannelError as error:
            return self._failed(delivery, str(error), now)
        except Exception as error:  # a plug-in's mistake must not silence the other channels
            log.exception("channel broke its contract", channel=delivery.channel, prompt=str(delivery.prompt))
            return self._failed(delivery, f"{delivery.channel}: {error.__class__.__name__}: {error}", now)
        self._put(delivery.model_copy(update={"state": "sent", "sent": now}))
        log.info("sent", prompt=str(delivery.prompt), channel=delivery.channel, repeat=delivery.repeat)
        return "sent"

    def _channel(self, name: str) -> Channel:
        if name not in self._channels:
            raise ChannelError(f"no channel {name!r} is switched on; there are {', '.join(self._channels) or 'none'}")
        return self._channels[name]

    def _failed(self, delivery: Delivery, why: str, now: datetime) -> str:
        log.warning("not sent", prompt=str(delivery.prompt), channel=delivery.channel, why=why)
        over = delivery.attempts >= MOST_ATTEMPTS
        due = now + retry_after(delivery.attempts, self._rng)
        self._put(delivery.model_copy(update={"state": "failed" if over else "queued", "error": why, "due": due}))
        return "failed"

    def _put(self, delivery: Delivery) -> None:
        with self._logbook.prompts.work() as book:
            book.put(delivery)


def _too_late(delivery: Delivery, prompt: Prompt, now: datetime) -> str | None:
    if prompt.state != UNACKNOWLEDGED:
        return f"{prompt.state} before it could be sent"
    if delivery.expires is not None and now > delivery.expires:
        return f"could not be sent before {delivery.expires:%Y-%m-%d %H:%MZ}; by then it would mislead"
    return None


def _repeated(book: PromptWork, delivery: Delivery, prompt: Prompt, fleet: Fleet, now: datetime) -> str:
    """The text once more, saying that it may be a second copy."""
    person = routing.person_of(fleet, delivery.person)
    standing = grouping.standing(book.findings(prompt.findings), prompt.root)
    if person is None or not standing:
        return delivery.text
    return wording.text_of(prompt, standing, fleet, now=now, language=person.language, repeat=True)
