"""The stages of the demo in one process: publisher, ingest, analysis, alerts, in step with stream time."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final, Self

from alerts.channels.base import Channel
from alerts.service import AlertService
from analytics.service import Analyzer
from ingest.broker import BrokerSettings
from ingest.service import IngestService
from simulator.payload import sites, wire_names
from simulator.publish import Publisher
from skidhand.demo.broker import HOST, DemoBroker, demo_broker
from skidhand.demo.feed import Step
from skidhand.errors import BrokerError
from skidhand.fleet import Fleet, FleetVersion
from skidhand.logbook import Logbook
from skidhand.stores import open_store
from skidhand.stores.base import Store

POINTS_PER_MESSAGE: Final = 30
DRAIN_S: Final = 0.05
STEP_TIMEOUT_S: Final = 60.0
TIDY_STEPS: Final = 48  # fresh files are compacted that often, so that reads stay quick


@dataclass(slots=True)
class Pipeline:
    """Everything from publisher to prompts, open and running; one ``step`` at a time."""

    broker: DemoBroker
    publisher: Publisher
    ingest: IngestService
    store: Store
    logbook: Logbook
    analyzer: Analyzer
    alerts: AlertService
    fleet: Fleet
    start: datetime
    steps: int = 0

    @classmethod
    @contextmanager
    def open(
        cls,
        folder: Path,
        version: FleetVersion,
        channels: list[Channel],
        *,
        start: datetime,
        seed: int,
        allow_mosquitto: bool = True,
    ) -> Iterator[Self]:
        """Start every stage on files in ``folder``; all are stopped in order at the end.

        ``version`` is in force from ``start``, the first source time. ``seed`` gives the answer codes.
        """
        with ExitStack() as stack:
            broker = stack.enter_context(demo_broker(folder, allow_mosquitto=allow_mosquitto))
            logbook = stack.enter_context(Logbook(str(folder / "logbook.db")))
            clock = logbook.open_clock("stream")
            store = open_store(str(folder / "lake"))
            stack.callback(store.close)
            store.set_clock("stream")
            logbook.fleets.apply(version, effective=start, who="demo")
            ingest = IngestService(
                broker=BrokerSettings(host=HOST, port=broker.port, protocol="5" if broker.mqtt5 else "3.1.1"),
                spool_path=folder / "spool.db",
                store=store,
                logbook=logbook,
                fleet=version,
                clock_kind="stream",
                instance="demo",
                drain_interval_s=DRAIN_S,
            )
            ingest.start(wait_connected_s=STEP_TIMEOUT_S)
            stack.callback(ingest.stop)
            publisher = stack.enter_context(Publisher(HOST, broker.port, points_per_message=POINTS_PER_MESSAGE))
            analyzer = Analyzer(store, logbook, clock=clock, owner="demo")
            # Seeded, so that the same demo shows the same answer codes.
            alerts = AlertService(logbook, clock=clock, channels=channels, instance="demo", rng=random.Random(seed))
            yield cls(broker, publisher, ingest, store, logbook, analyzer, alerts, version.fleet, start)

    def step(self, step: Step) -> None:
        """Publish, wait until all of it is in the store and its time announced, analyse, alert."""
        self.publisher.publish(step.samples, sites(self.fleet), wire_names(self.fleet))
        self.publisher.announce(step.end)
        self.publisher.flush()
        self.steps += 1
        # One announcement a step travels as a message of its own.
        if not self.ingest.wait_drained(STEP_TIMEOUT_S, messages=self.publisher.messages_sent + self.steps):
            trouble = "; ".join(f"{k}: {v}" for k, v in self.ingest.stats().trouble.items())
            raise BrokerError(
                f"what was published did not reach the store in {STEP_TIMEOUT_S:g} s ({trouble or 'no reason known'})"
            )
        self.analyzer.run_once()
        self.alerts.run_once()
        if self.steps % TIDY_STEPS == 0:
            for _ in self.store.tidy(now=step.end):
                pass

    def stored(self) -> int:
        """Samples in the store, counted by reading them all back, a day at a time."""
        start = self.start - timedelta(days=1)
        series, count = self.store.series(), 0
        while start <= (self.logbook.clock.announced() or start):
            count += self.store.read(series, start, start + timedelta(days=1)).num_rows
            start += timedelta(days=1)
        return count

    def messages(self) -> int:
        """Messages that were handed over."""
        return sum(delivery.state == "sent" for delivery in self.logbook.prompts.deliveries())
