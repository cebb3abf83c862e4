"""Hands queued messages to channels: at least once, each on its own, again later when that failed.

What was begun and never recorded goes out again, marked as a repeat. What has failed for good is handed over to
the next channel or person; a flood becomes one summary.
"""

from __future__ import annotations

import random
import threading
from collections import Counter
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Final

import structlog

from alerts import flood, grouping, notices, routing
from alerts.channels.base import Channel
from alerts.lifecycle import ACKNOWLEDGED, UNACKNOWLEDGED
from alerts.outbox import Outbox, way_of
from skidhand.errors import ChannelError, ChannelRefusedError
from skidhand.fleet import Fleet
from skidhand.logbook import Logbook, message_queries
from skidhand.logbook.prompt_work import PromptWork
from skidhand.model.prompt import Delivery, Enclosed, Prompt

FIRST_RETRY: Final = timedelta(seconds=30)
LONGEST_RETRY: Final = timedelta(minutes=15)
MOST_ATTEMPTS: Final = 8
HAND_OVER_AFTER: Final = 3
"""Common practice, no source: half a minute doubled to a quarter of an hour, given up after about half an hour; a
message that somebody waits for goes to the next channel or person after about a minute and a half."""

KEPT: Final = 500
"""Messages of a flood that are marked as kept back in one transaction."""
PAUSE_S: Final = 0.15
"""Between full batches: whoever waits for SQLite's one lock looks every 0.1 s, and would never find it free."""

log = structlog.get_logger(__name__)


def retry_after(attempts: int, rng: random.Random) -> timedelta:
    """How long to wait after the ``attempts``-th failure: doubled each time, capped, half to one and a half of it."""
    wait: timedelta = min(FIRST_RETRY * 2.0 ** min(attempts - 1, 10), LONGEST_RETRY)
    return wait * rng.uniform(0.5, 1.5)


class Postman:
    """Sends what is due over ``channels``. ``gas`` says of a skid that nobody may be sent there."""

    def __init__(
        self,
        logbook: Logbook,
        channels: Mapping[str, Channel],
        rng: random.Random,
        gas: Callable[[str], bool] = lambda _: False,
    ) -> None:
        self._logbook = logbook
        self._channels = channels
        self._ways = {name: way_of(channel) for name, channel in channels.items()}
        self._rng = rng
        self._gas = gas
        self._pause = threading.Event()
        self.failures: Counter[str] = Counter()  # of each channel, in a row

    def deliver(self, fleet: Fleet, now: datetime, renew: Callable[[], bool] = lambda: True) -> Counter[str]:
        """Try every due delivery once; counts by outcome (``sent``, ``failed``, ``expired``, ``summarised``).

        ``renew`` is asked between messages; when it says no, another instance sends them and this one stops.
        """
        outcome: Counter[str] = Counter()
        with self._logbook.prompts.look() as book:
            queued = book.queued()
            state = flood.Flood.at(book, now)
        due = [one for one in queued if one.due is None or one.due <= now]
        summaries = {(one.person, one.channel) for one in queued if one.purpose == "summary"}
        admitted = [(one, state.admits(one, self._ways.get(one.channel))) for one in flood.urgent_first(due)]
        kept = [one for one, alone in admitted if not alone]
        for start in range(0, len(kept), KEPT):
            with self._logbook.prompts.work() as book:
                part = kept[start : start + KEPT]
                flood.keep_back(book, Outbox(book, fleet, now, self._ways), part, summaries, now)
            outcome["summarised"] += len(part)
            self._pause.wait(PAUSE_S if start + KEPT < len(kept) else 0.0)
        for waiting in (one for one, alone in admitted if alone):
            if not renew():
                break
            ready = self._begin(waiting, fleet, now)
            outcome[self._send(ready, fleet, now) if ready is not None else "expired"] += 1
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
            if delivery.receipt == "undelivered":
                standing = grouping.standing(book.findings(prompt.findings), prompt.root)
                Outbox(book, fleet, now, self._ways).hand_over(delivery, prompt, standing, delivery.error or "")
                return None
            repeat = delivery.repeat or (delivery.attempts > 0 and delivery.error is None)
            ready = delivery.model_copy(update={"attempts": delivery.attempts + 1, "error": None, "repeat": repeat})
            text = self._text(book, ready, prompt, fleet, now)
            if text is None:
                book.put(delivery.model_copy(update={"state": "expired", "error": "nothing is left to tell"}))
                return None
            ready = ready.model_copy(update={"text": text, "enclosed": self._enclosed(book, delivery, prompt, fleet)})
            book.put(ready)
        return ready

    def _enclosed(self, book: PromptWork, delivery: Delivery, prompt: Prompt, fleet: Fleet) -> Enclosed | None:
        """The standing findings, for a channel that says it ``encloses`` them."""
        if not getattr(self._channels.get(delivery.channel), "encloses", False) or delivery.purpose == "summary":
            return None
        person = fleet.roster.person(delivery.person)
        return Enclosed(
            findings=tuple(grouping.standing(book.findings(prompt.findings), prompt.root)),
            timezone=routing.zone_of(fleet, prompt.site).key,
            language=person.language if person else "en",
        )

    def _text(self, book: PromptWork, delivery: Delivery, prompt: Prompt, fleet: Fleet, now: datetime) -> str | None:
        person = fleet.roster.person(delivery.person)
        if delivery.purpose == "summary":
            kept = message_queries.untold(book.rows(), delivery.person, delivery.channel)
            untold = [one for one in kept if one.state == UNACKNOWLEDGED]
            return notices.summary_of(untold, person.language if person else "en") if untold else None
        standing = grouping.standing(book.findings(prompt.findings), prompt.root)
        if not standing and prompt.about is None:
            return None
        until = next((one.until for one in book.open_work() if prompt.about == f"{notices.ABOUT_WORK}{one.id}"), None)
        gas = any(self._gas(skid) for skid in {finding.skid for finding in standing})
        return notices.text_of(delivery, prompt, standing, fleet, now=now, gas=gas, until=until)

    def _send(self, delivery: Delivery, fleet: Fleet, now: datetime) -> str:
        try:
            reference = self._channel(delivery.channel).send(delivery)
        except ChannelError as error:
            return self._failed(delivery, str(error), fleet, now, final=isinstance(error, ChannelRefusedError))
        except Exception as error:  # a plug-in's mistake must not silence the other channels
            log.exception("channel broke its contract", channel=delivery.channel, prompt=str(delivery.prompt))
            return self._failed(delivery, f"{delivery.channel}: {error.__class__.__name__}: {error}", fleet, now)
        self.failures[delivery.channel] = 0
        with self._logbook.prompts.work() as book:
            book.put(delivery.model_copy(update={"state": "sent", "sent": now, "reference": reference}))
            if delivery.purpose == "summary":
                message_queries.summarised(book.rows(), delivery.person, delivery.channel, now)
        log.info("sent", prompt=str(delivery.prompt), channel=delivery.channel, repeat=delivery.repeat)
        return "sent"

    def _channel(self, name: str) -> Channel:
        if name not in self._channels:
            raise ChannelError(f"no channel {name!r} is switched on; there are {', '.join(self._channels) or 'none'}")
        return self._channels[name]

    def _failed(self, delivery: Delivery, why: str, fleet: Fleet, now: datetime, *, final: bool = False) -> str:
        self.failures[delivery.channel] += 1
        log.warning("not sent", prompt=str(delivery.prompt), channel=delivery.channel, why=why)
        way = self._ways.get(delivery.channel)
        waited_for = way is not None and way.part == "message"
        over = final or delivery.attempts >= (HAND_OVER_AFTER if waited_for else MOST_ATTEMPTS)
        with self._logbook.prompts.work() as book:
            prompt = book.prompt(delivery.prompt)
            if over and waited_for and prompt is not None:
                standing = grouping.standing(book.findings(prompt.findings), prompt.root)
                Outbox(book, fleet, now, self._ways).hand_over(delivery, prompt, standing, why)
                return "failed"
            due = now + retry_after(delivery.attempts, self._rng)
            book.put(delivery.model_copy(update={"state": "failed" if over else "queued", "error": why, "due": due}))
        return "failed"


def _too_late(delivery: Delivery, prompt: Prompt, now: datetime) -> str | None:
    wanted = ACKNOWLEDGED if delivery.purpose == "check-back" else UNACKNOWLEDGED
    if prompt.state != wanted and delivery.purpose != "summary":
        return f"{prompt.state} before it could be sent"
    if delivery.expires is not None and now > delivery.expires:
        return f"could not be sent before {delivery.expires:%Y-%m-%d %H:%MZ}; by then it would mislead"
    return None
