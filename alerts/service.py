"""The alerts service: inbox to prompts, answers to states, messages to people. Safe to kill at any point."""

from __future__ import annotations

import os
import random
import socket
import threading
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final

import structlog

from alerts.answers import Judge
from alerts.channels.base import Channel
from alerts.intake import Intake
from alerts.outbox import Outbox
from alerts.postman import Postman
from skidhand import __version__
from skidhand.clock import Clock, WallClock
from skidhand.errors import OutsideError, SettingsError, SkidhandError, UserError
from skidhand.fleet import Fleet
from skidhand.logbook import Logbook
from skidhand.logbook.prompts import PromptWork, Waiting
from skidhand.model.heartbeat import Heartbeat

LEASE: Final = "alerts"
LEASE_SECONDS: Final = 15.0
BATCH: Final = 500
COUNTED: Final = ("findings", "stuck", "raised", "queued", "nobody", "accepted", "refused")

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Summary:
    """What one run did. ``standby``: another instance holds the lease. ``idle``: no time is known yet."""

    standby: bool = False
    idle: bool = False
    findings: int = 0  # revisions worked in
    stuck: int = 0  # revisions that could not be, and wait in the inbox
    raised: int = 0  # new prompts
    queued: int = 0  # messages queued
    nobody: int = 0  # messages for which the roster has nobody
    accepted: int = 0  # answers
    refused: int = 0
    outcome: Counter[str] = field(default_factory=Counter)  # of sending: sent, failed, expired


class AlertService:
    """Alerts over one logbook. All times come from ``clock``.

    ``channels`` are tried in order, each on its own. ``rng`` gives answer codes and retry delays: the
    operating system's unless a seeded one is given, as a demo does. Raises SettingsError when two
    channels have one name or there is none.
    """

    def __init__(
        self,
        logbook: Logbook,
        *,
        clock: Clock,
        channels: Sequence[Channel],
        instance: str | None = None,
        rng: random.Random | None = None,
    ) -> None:
        names = [channel.name for channel in channels]
        if not names or len(set(names)) != len(names):
            raise SettingsError(f"alerts needs channels of different names, got {', '.join(names) or 'none'}")
        self._logbook = logbook
        self._clock = clock
        self._channels = {channel.name: channel for channel in channels}
        self._instance = instance or f"{socket.gethostname()}:{os.getpid()}"
        self._rng = rng or random.SystemRandom()
        self._postman = Postman(logbook, self._channels, self._rng)
        self._fleet: tuple[str, Fleet] | None = None

    def run_once(self) -> Summary:
        """Work in all that waits, then send what is due.

        Raises UserError when no fleet version is in force, LogbookError when the logbook is away.
        """
        now = self._clock.now()
        if now is None:
            return self._beat(Summary(idle=True))
        if not self._logbook.leases.take(LEASE, self._instance, LEASE_SECONDS):
            return self._beat(Summary(standby=True))
        fleet = self._current_fleet()
        done = self.work_in(fleet, now)
        self._logbook.leases.take(LEASE, self._instance, LEASE_SECONDS)
        outcome = self._postman.deliver(fleet, now)
        return self._beat(replace(done, outcome=outcome))

    def run_forever(self, interval: float = 1.0, stop: threading.Event | None = None) -> None:
        """:meth:`run_once` every ``interval`` seconds until ``stop``; outages are logged and waited out."""
        stop = stop or threading.Event()
        while not stop.is_set():
            try:
                self.run_once()
            except OutsideError as error:
                log.error("alerts can't work", why=str(error))
            stop.wait(interval)
        self._logbook.leases.release(LEASE, self._instance)

    def work_in(self, fleet: Fleet, now: datetime) -> Summary:
        """Inbox, answers and shelving, in transactions of at most BATCH findings each; nothing is sent."""
        total: Counter[str] = Counter()
        seen, more = 0, True
        while more:
            with self._logbook.prompts.work() as book:
                waiting = book.inbox(BATCH, after=seen)
                total.update(self._batch(book, waiting, fleet, now))
            more = len(waiting) == BATCH
            seen = waiting[-1].seq if waiting else seen
        return Summary(**{name: total[name] for name in COUNTED})  # type: ignore[arg-type]  # all are whole numbers

    def _batch(self, book: PromptWork, waiting: Sequence[Waiting], fleet: Fleet, now: datetime) -> Counter[str]:
        outbox = Outbox(book, fleet, now, {name: channel.address for name, channel in self._channels.items()})
        intake = Intake(book, fleet, now, outbox, self._rng)
        judge = Judge(book, fleet, now, outbox, intake)
        counts: Counter[str] = Counter()
        for row in in_order(waiting):
            counts["findings" if _worked_in(book, intake, row) else "stuck"] += 1
        for answer in book.waiting_answers():
            counts[judge.judge(answer).state] += 1
        judge.wake()
        counts.update(raised=intake.raised, queued=outbox.queued, nobody=outbox.nobody)
        return counts

    def _current_fleet(self) -> Fleet:
        digest = self._logbook.fleets.digest()
        if self._fleet is None or self._fleet[0] != digest:
            version = self._logbook.fleets.current()
            if version is None:
                raise UserError("no fleet version is in force; run: skidhand check FLEET.yaml --apply")
            self._fleet = (version.digest, version.fleet)
        return self._fleet[1]

    def _beat(self, summary: Summary) -> Summary:
        figures = {"raised": summary.raised, "queued": summary.queued, "stuck": summary.stuck, **summary.outcome}
        self._logbook.heartbeats.beat(
            Heartbeat(
                service="alerts",
                instance=self._instance,
                at=WallClock().now(),
                version=__version__,
                depth=self._logbook.prompts.inbox_depth(),
                refusals={"answers": summary.refused} if summary.refused else {},
                figures={name: float(count) for name, count in figures.items()},
                note="standby" if summary.standby else "no time announced yet" if summary.idle else "",
            )
        )
        return summary


def in_order(waiting: Sequence[Waiting]) -> list[Waiting]:
    """Superseded findings first, so that a successor finds its prompt; older revisions of those come with them."""
    gone = {row.finding for row in waiting if row.state == "superseded"}
    return sorted(waiting, key=lambda row: (row.finding not in gone, row.seq))


def _worked_in(book: PromptWork, intake: Intake, row: Waiting) -> bool:
    """One revision in its own savepoint: one that breaks something stays in the inbox and holds up no other."""
    try:
        with book.one_item():
            intake.take(book.take(row.seq))
    except (SkidhandError, ValueError, LookupError) as error:
        log.error("a finding can't become a prompt", finding=str(row.finding), seq=row.seq, why=str(error))
        return False
    return True
