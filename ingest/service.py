"""Ingest as a service: the threads, what they share, and their orderly start and stop."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import pyarrow as pa
import structlog

from ingest.broker import BrokerSettings
from ingest.drain import Drain
from ingest.fleet_watch import FleetWatch
from ingest.inbox import Inbox, Message
from ingest.intake import Intake
from ingest.leaving import LeavingReceiver
from ingest.link import LogbookLink
from ingest.lookup import Lookup
from ingest.receiver import Receiver
from ingest.router import Router, found_formats
from ingest.sparkplug.host import SparkplugHost
from ingest.sparkplug.settings import SparkplugSettings
from ingest.spool import Spool
from ingest.stats import IngestStats, Rate, heartbeat
from ingest.threads import Threads
from skidhand.clock import CLOCK_TOPIC, ClockKind, StreamClock, WallClock, monotonic
from skidhand.errors import BrokerError, LogbookError, OutsideError, SettingsError, SkidhandError, StoreError
from skidhand.fleet import FleetVersion
from skidhand.logbook import Logbook
from skidhand.model.heartbeat import RETIRED
from skidhand.model.samples import micros, moment
from skidhand.stores.base import Store

QUIET: Final = 3
"""How often the broker must say that a session holds nothing more, before the session is ended."""
STRAY: Final = "skidhand/+/+/+/+/#"
"""Topics with too many levels, for example an id with a slash: taken only to be refused and counted."""

log = structlog.get_logger(__name__)


class IngestService:
    """Broker → spool → store. ``logbook`` is an open one, or a URL that is opened when it can be.

    ``fleet`` is in force until the logbook has a version; without either, the one last used with this
    spool. ``clock_kind`` "stream" is for demos and replays: receive times are those that the publisher
    announces. Raises IntegrityError when another process holds the spool, SettingsError for settings
    that contradict each other. ``instance`` is the name in heartbeats: None for the worker's own id, which
    lives with the spool. ``leaving``: take nothing new; for :meth:`retire`. ``sparkplug``: be a Sparkplug host
    application too; None: hear none of it.
    """

    def __init__(
        self,
        *,
        broker: BrokerSettings,
        spool_path: Path | str,
        worker: str | None = None,
        store: Store,
        logbook: Logbook | str,
        fleet: FleetVersion | None = None,
        clock_kind: ClockKind = "wall",
        sparkplug: SparkplugSettings | None = None,
        instance: str | None = None,
        max_spool_bytes: int | None = None,
        leaving: bool = False,
        drain_interval_s: float = 2.0,
        beat_interval_s: float = 5.0,
    ) -> None:
        if clock_kind == "stream" and broker.group is not None:
            raise SettingsError("a stream clock needs one ingest that sees all messages in order: leave the group out")
        if clock_kind == "stream" and sparkplug is not None:
            raise SettingsError("a stream clock needs all messages in one order: Sparkplug's connection is its own")
        self._beat_interval_s, self._kind = beat_interval_s, clock_kind
        self._link = LogbookLink(logbook, clock_kind)
        self._stop, self._over = threading.Event(), threading.Event()
        self._stopped = False
        self._final: IngestStats | None = None
        self._logbook_trouble = ""
        self._threads = Threads(self._stop)
        self._rate = Rate()
        self._spool = Spool(spool_path, max_bytes=max_spool_bytes, worker=worker)
        self._fleet = FleetWatch(self._link, self._spool, fleet)
        self._worker = self._spool.worker
        self._instance = instance or self._worker
        try:
            self._assemble(broker, store, drain_interval_s, sparkplug, LeavingReceiver if leaving else Receiver)
        except BaseException:
            self._spool.close()
            raise

    def _assemble(
        self,
        broker: BrokerSettings,
        store: Store,
        drain_interval_s: float,
        sparkplug: SparkplugSettings | None,
        receiver: type[Receiver],
    ) -> None:
        self._inbox = Inbox(broker.receive_maximum)
        router = Router(found_formats())
        self._receiver = receiver(
            settings=broker,
            client_id=self._spool.client_id,
            inbox=self._inbox,
            shared_filters=(*router.filters, STRAY),
            own_filters=(CLOCK_TOPIC,) if self._kind == "stream" else (),
            on_crash=self._threads.fail,
        )
        self._host = None
        if sparkplug is not None:
            self._host = SparkplugHost(
                sparkplug,
                broker=broker,
                inbox=self._inbox,
                logbook=self._link.book,
                lookup=self._current_lookup,
                decode=router.decode,
                owner=self._worker,
                on_crash=self._threads.fail,
            )
        self._drain = Drain(
            spool=self._spool,
            store=store,
            clock_kind=self._kind,
            announce=lambda now: self._link.book().clock.announce(now),
            interval_s=drain_interval_s,
        )
        self._intake = Intake(
            inbox=self._inbox,
            router=router,
            lookup=self._current_lookup,
            clock=StreamClock() if self._kind == "stream" else WallClock(),
            spool=self._spool,
            acknowledge=self._acknowledge,
            sessions=self._host.sessions if self._host is not None else None,
        )

    def _acknowledge(self, messages: Sequence[Message]) -> None:
        """Each receiver knows its own by their connection."""
        self._receiver.acknowledge(messages)
        if self._host is not None:
            self._host.acknowledge(messages)

    # --- life ------------------------------------------------------------------------------------

    def start(self, *, wait_connected_s: float | None = None) -> None:
        """Start; returns at once, or once messages can arrive when ``wait_connected_s`` is given.

        Raises SettingsError when no fleet is known, IntegrityError's children when store, logbook and
        spool do not belong together, BrokerError when the broker is not there within ``wait_connected_s``.
        A store or logbook that is away is no error: what arrives waits in the spool.
        """
        # Arrow's own pools keep what they once had: a third more memory under load, and no faster here.
        pa.set_memory_pool(pa.system_memory_pool())
        try:
            self._fleet.refresh()
            if self._fleet.lookup is None:
                raise SettingsError("no fleet is known: apply a fleet file to the logbook, or give one")
            try:
                self._drain.step()
            except OutsideError as error:
                log.warning("the store is away, samples will wait in the spool", reason=str(error))
            if isinstance(self._receiver, LeavingReceiver):
                self._receiver.gives_back += self._spool.subscriptions
            else:
                self._spool.remember_subscriptions(self._receiver.subscriptions)
            self._threads.run("intake", lambda: self._intake.run(self._stop))
            self._threads.run("drain", lambda: self._drain.run(self._over))
            self._receiver.start()
            if self._host is not None:
                self._host.keep()
            self._threads.run("housekeeping", self._keep_house)
            if wait_connected_s is not None:
                self._receiver.wait_subscribed(wait_connected_s)
                if self._host is not None:
                    self._host.wait_subscribed(wait_connected_s)
        except BaseException:
            self.stop(timeout=1.0)
            raise

    def run_forever(self) -> None:
        """Return when :meth:`request_stop` was called; raise what made going on impossible. Stops in order."""
        try:
            self._stop.wait()
        finally:
            self.stop()
        if self._threads.failure is not None:
            raise self._threads.failure

    def request_stop(self) -> None:
        """End :meth:`run_forever`; for signal handlers and other threads."""
        self._stop.set()

    def stop(self, *, timeout: float = 30.0, note: str = "stopped") -> None:
        """Take no more, spool and acknowledge what was taken, bring it to the store if that can be done in time.

        What cannot be stored within ``timeout`` seconds stays in the spool for the next start.
        """
        if self._stopped:
            return
        self._stopped = True
        deadline = monotonic() + timeout
        self._receiver.pause()
        if self._host is not None:
            self._host.pause()
        self._stop.set()
        self._threads.join("intake", deadline)
        self._receiver.stop()
        if self._host is not None:
            self._host.stop()
        if self._threads.failure is None and "drain" in self._threads:
            self._drain.hurry()
            self._threads.wait(lambda: self._drain.idle() or bool(self._drain.trouble), deadline)
        self._over.set()
        self._drain.hurry()
        for name in ("intake", "drain", "housekeeping"):
            self._threads.join(name, max(deadline, monotonic() + 10.0))
        self._beat(note)
        self._final = self.stats()
        self._link.close()
        self._spool.close()

    def retire(self, *, timeout: float = 3600.0) -> bool:
        """Fetch what the broker still keeps for this worker, end its session, bring all to the store, and stop.

        Only for a service that was made with ``leaving``, and started. Returns whether the broker knew the worker.
        Raises BrokerError or StoreError when that cannot be done within ``timeout`` seconds or the store
        refuses a sample; what was not stored is in the spool, and another try goes on with it.
        """
        assert isinstance(self._receiver, LeavingReceiver)
        deadline = monotonic() + timeout
        for _ in range(QUIET):
            while not (self._threads.wait(lambda: not len(self._inbox), deadline) and self._receiver.is_empty()):
                self._give_up_after(deadline, BrokerError(f"{self._receiver.where}: {self._receiver.trouble}"))
        self._receiver.end_session()
        self._stop.set()
        self._threads.join("intake", deadline)
        self._spool.held.release(max(self._spool.last_received_us or 0, micros(WallClock().now())))
        self._drain.hurry()
        self._threads.wait(self._drain.idle, deadline)
        if not self._drain.idle() or self._spool.aside.samples:
            self.stop(timeout=1.0)
            raise StoreError(f"not all is in the store: {self.stats().trouble.get('store', 'it took too long')}")
        self.stop(note=RETIRED)
        return self._receiver.had_session

    def _give_up_after(self, deadline: float, error: SkidhandError) -> None:
        if self._threads.failure is not None or monotonic() > deadline or self._stop.is_set():
            self.stop(timeout=1.0)
            raise self._threads.failure or error

    def wait_drained(self, timeout: float, *, messages: int = 0) -> bool:
        """True once at least ``messages`` were worked off, all is in the store and its time is passed on.

        False after ``timeout`` seconds; raises what made going on impossible.
        """
        deadline = monotonic() + timeout
        done = self._threads.wait(lambda: self._intake.figures.messages >= messages and not len(self._inbox), deadline)
        if done:
            self._drain.hurry()  # not before: each hurry may cost the store a small commit
            done = self._threads.wait(self._drain.idle, deadline)
        if self._threads.failure is not None:
            raise self._threads.failure
        return done

    @property
    def worker(self) -> str:
        """This worker's id, which lives with its spool."""
        return self._worker

    def stats(self) -> IngestStats:
        """How it stands now, or stood at the end."""
        if self._final is not None:
            return self._final
        figures, depth = self._intake.figures, self._spool.depth()
        now_us = micros(WallClock().now())
        aside, unacknowledged_us = self._spool.aside.samples, self._inbox.oldest_us()
        refusing = f"{aside:,} samples that the store refuses are set aside in the spool" if aside else ""
        troubles = {
            "broker": self._receiver.trouble,
            "sparkplug": self._host.trouble if self._host is not None else "",
            "spool": self._intake.trouble,
            "store": self._drain.trouble or refusing,
            "logbook": self._fleet.trouble or self._logbook_trouble,
        }
        return IngestStats(
            messages=figures.messages,
            samples=figures.samples,
            stored=self._drain.stored,
            refused=self._spool.refusals.counts(),
            doubted=self._spool.refusals.doubts(),
            queued=len(self._inbox),
            depth=depth,
            lag_s=0.0 if depth.oldest_us is None else max(0.0, (now_us - depth.oldest_us) / 1e6),
            rate=self._rate.at(figures.samples),
            unacknowledged_s=0.0 if unacknowledged_us is None else max(0.0, (now_us - unacknowledged_us) / 1e6),
            thinned=figures.thinned,
            aside=aside,
            last_seen={skid: moment(at_us) for skid, at_us in tuple(figures.last_seen.items())},
            trouble={name: what for name, what in troubles.items() if what},
        )

    # --- housekeeping ------------------------------------------------------------------------------

    def _keep_house(self) -> None:
        while not self._over.wait(self._beat_interval_s):
            self._fleet.refresh()
            if self._host is not None:
                self._host.keep()
            self._beat()

    def _current_lookup(self) -> Lookup:
        assert self._fleet.lookup is not None
        return self._fleet.lookup

    def _beat(self, note: str = "") -> None:
        try:
            self._link.book().heartbeats.beat(heartbeat(self.stats(), self._instance, note))
            self._logbook_trouble = ""
        except LogbookError as error:
            self._logbook_trouble = str(error)
            log.warning("no heartbeat: the logbook is away", reason=str(error))
        except SkidhandError as error:  # it is there and not for us: start and housekeeping end with that error
            self._logbook_trouble = str(error)
