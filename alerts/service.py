"""The alerts service: inbox to prompts, answers to states, messages to people. Safe to kill at any point."""

from __future__ import annotations

import os
import random
import socket
import threading
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final

import structlog

from alerts.answers import Judge
from alerts.channels.base import Channel
from alerts.intake import Intake
from alerts.outbox import Outbox, Way, way_of
from alerts.postman import PAUSE_S, Postman
from alerts.timers import Timers
from alerts.watch import Watch
from alerts.workorders import WorkOrders
from skidhand import __version__
from skidhand.clock import Clock, WallClock, monotonic
from skidhand.errors import OutsideError, SettingsError, SkidhandError, UserError
from skidhand.fleet import Fleet
from skidhand.logbook import Logbook
from skidhand.logbook.prompt_work import PromptWork, Waiting
from skidhand.model.heartbeat import Heartbeat

LEASE: Final = "alerts"
LEASE_SECONDS: Final = 15.0
LOOK_S: Final = 10.0
BEAT_S: Final = 5.0
BATCH: Final = 200
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
    operating system's unless a seeded one is given, as a demo does. ``gas`` says of a skid that its gas alarm is on
    or unknown; ``watch`` says when skidhand itself is blind. Raises SettingsError when two channels have one name
    or there is none.
    """

    def __init__(
        self,
        logbook: Logbook,
        *,
        clock: Clock,
        channels: Sequence[Channel],
        instance: str | None = None,
        rng: random.Random | None = None,
        gas: Callable[[str], bool] = lambda _: False,
        watch: Watch | None = None,
    ) -> None:
        names = [channel.name for channel in channels]
        if not names or len(set(names)) != len(names):
            raise SettingsError(f"alerts needs channels of different names, got {', '.join(names) or 'none'}")
        self._logbook = logbook
        self._clock = clock
        self._channels = {channel.name: channel for channel in channels}
        self._instance = instance or f"{socket.gethostname()}:{os.getpid()}"
        self._rng = rng or random.SystemRandom()
        self._postman = Postman(logbook, self._channels, self._rng, gas)
        self._watch = watch
        self._renewed = -LEASE_SECONDS
        self._looked = -LOOK_S
        self._pause = threading.Event()
        self._beaten = -BEAT_S
        self._fleet: tuple[str, Fleet] | None = None

    def run_once(self) -> Summary:
        """Work in all that waits, then send what is due.

        Raises UserError when no fleet version is in force, LogbookError when the logbook is away.
        """
        now = self._clock.now()
        if now is None:
            return self._beat(Summary(idle=True))
        if not self._renew():
            return self._beat(Summary(standby=True))
        fleet = self._current_fleet()
        if self._watch is not None and monotonic() - self._looked > LOOK_S:
            self._looked = monotonic()
            self._watch.look(self._logbook.heartbeats.all(), self._postman.failures, WallClock().now())
        done = self.work_in(fleet, now)
        outcome = self._postman.deliver(fleet, now, self._renew)
        return self._beat(replace(done, outcome=outcome))

    def run_forever(
        self, interval: float = 0.2, stop: threading.Event | None = None, alive: Callable[[Summary], None] | None = None
    ) -> None:
        """:meth:`run_once` every ``interval`` seconds until ``stop``; outages are logged and waited out.

        ``alive`` is called after every round that did all its work.
        """
        stop = stop or threading.Event()
        while not stop.is_set():
            try:
                done = self.run_once()
                if alive is not None:
                    alive(done)
            except OutsideError as error:
                log.error("alerts can't work", why=str(error))
            stop.wait(interval)
        self._logbook.leases.release(LEASE, self._instance)
        self._renewed = -LEASE_SECONDS

    def fleet(self) -> Fleet | None:
        """The fleet version that was in force in the last round."""
        return self._fleet[1] if self._fleet else None

    def work_in(self, fleet: Fleet, now: datetime) -> Summary:
        """Inbox, answers, timers and work, in transactions of at most BATCH findings each; nothing is sent."""
        total: Counter[str] = Counter()
        seen, more = 0, True
        while more and self._renew():
            waiting, counts = self._batch(seen, fleet, now)
            total.update(counts)
            more = len(waiting) == BATCH
            if more:
                self._pause.wait(PAUSE_S)
            seen = waiting[-1].seq if waiting else seen
        return Summary(**{name: total[name] for name in COUNTED})  # type: ignore[arg-type]  # all are whole numbers

    def _batch(self, after: int, fleet: Fleet, now: datetime) -> tuple[list[Waiting], Counter[str]]:
        """One batch in one transaction; if a revision breaks it, each revision in its own, and that one waits."""
        try:
            with self._logbook.prompts.work() as book:
                waiting = book.inbox(BATCH, after)
                desk = self._desk(book, fleet, now)
                if waiting:
                    desk.intake.prepare(book.preload(waiting))
                for row in in_order(waiting):
                    desk.intake.take(book.take(row.seq))
                desk.finish()
            return waiting, desk.counts(len(waiting))
        except OutsideError:
            raise
        except (SkidhandError, ValueError, LookupError) as error:
            log.warning("a batch of findings is worked in one by one", why=str(error))
        with self._logbook.prompts.work() as book:
            waiting = book.inbox(BATCH, after)
        counts: Counter[str] = Counter()
        for row in in_order(waiting):
            counts.update(self._one(row, fleet, now))
        return waiting, counts

    def _one(self, row: Waiting, fleet: Fleet, now: datetime) -> Counter[str]:
        try:
            with self._logbook.prompts.work() as book:
                desk = self._desk(book, fleet, now)
                desk.intake.take(book.take(row.seq))
                desk.finish()
            return desk.counts(1)
        except OutsideError:
            raise
        except (SkidhandError, ValueError, LookupError) as error:
            log.error("a finding can't become a prompt", finding=str(row.finding), seq=row.seq, why=str(error))
            return Counter({"stuck": 1})

    def _desk(self, book: PromptWork, fleet: Fleet, now: datetime) -> Desk:
        return Desk(
            book,
            fleet,
            now,
            {name: way_of(channel) for name, channel in self._channels.items()},
            self._rng,
            self._watch,
        )

    def _lease(self) -> bool:
        mine = self._logbook.leases.take(LEASE, self._instance, LEASE_SECONDS)
        self._renewed = monotonic() if mine else -LEASE_SECONDS
        return mine

    def _renew(self) -> bool:
        """Keep the lease while there is much to do; False once another instance has it."""
        return monotonic() - self._renewed < LEASE_SECONDS / 3 or self._lease()

    def _current_fleet(self) -> Fleet:
        digest = self._logbook.fleets.digest()
        if self._fleet is None or self._fleet[0] != digest:
            version = self._logbook.fleets.current()
            if version is None:
                raise UserError("no fleet version is in force; run: skidhand check FLEET.yaml --apply")
            self._fleet = (version.digest, version.fleet)
        return self._fleet[1]

    def _beat(self, summary: Summary) -> Summary:
        """Write the sign of life: after a round that did something, and every few seconds."""
        if summary == Summary() and monotonic() - self._beaten < BEAT_S:
            return summary
        self._beaten = monotonic()
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


class Desk:
    """All that works on prompts inside one transaction."""

    def __init__(
        self,
        book: PromptWork,
        fleet: Fleet,
        now: datetime,
        ways: Mapping[str, Way],
        rng: random.Random,
        watch: Watch | None,
    ) -> None:
        self._book = book
        self.outbox = Outbox(book, fleet, now, ways)
        self.intake = Intake(book, fleet, now, self.outbox, rng)
        self._judge = Judge(book, fleet, now, self.outbox, self.intake)
        self._timers = Timers(book, fleet, now, self.outbox, self.intake)
        self._orders = WorkOrders(book, fleet, now, self.intake)
        self._watch = watch
        self._judged: Counter[str] = Counter()

    def finish(self) -> None:
        """After the findings: answers, work, what time has brought, and whether skidhand itself still sees."""
        self.intake.finish()
        for answer in self._book.waiting_answers():
            self._judged[self._judge.judge(answer).state] += 1
        self._orders.run()
        self._timers.run()
        if self._watch is not None:
            self._watch.report(self._book, self.intake)
        self.intake.finish()

    def counts(self, findings: int) -> Counter[str]:
        """What was done."""
        done = {"raised": self.intake.raised, "queued": self.outbox.queued, "nobody": self.outbox.nobody}
        return Counter({"findings": findings, **done, **self._judged})


def in_order(waiting: Sequence[Waiting]) -> list[Waiting]:
    """Superseded findings first, so that a successor finds its prompt; older revisions of those come with them."""
    gone = {row.finding for row in waiting if row.state == "superseded"}
    return sorted(waiting, key=lambda row: (row.finding not in gone, row.seq))
