"""The worker: takes what is queued, decodes, judges, spools one row, and only then acknowledges."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

import orjson
import structlog

from ingest.backoff import Backoff
from ingest.bench import Bench, Memory
from ingest.formats.base import Decoded, Reading
from ingest.inbox import Inbox, Message
from ingest.judge import EARLIEST_US, LATEST_US
from ingest.lookup import Lookup
from ingest.reasons import Reason, Tally
from ingest.refusal_log import RefusedMessage
from ingest.router import Router
from ingest.sparkplug.edge import Arrival
from ingest.sparkplug.sessions import Sessions
from ingest.spool import Spool, SpoolError
from ingest.wiretime import wire_time
from skidhand.clock import CLOCK_TOPIC, Clock, StreamClock
from skidhand.model.samples import micros, moment
from skidhand.sparkplug.wire import NAMESPACE

MAX_MESSAGES: Final = 1000
LINGER_S: Final = 0.01
IDLE_S: Final = 0.2

log = structlog.get_logger(__name__)


@dataclass(slots=True)
class Figures:
    """What the worker has done since it started. Written by the worker alone."""

    messages: int = 0  # worked off: spooled or refused, then acknowledged
    samples: int = 0  # spooled
    batches: int = 0
    thinned: int = 0  # left out under the present fleet version
    last_seen: dict[str, int] = field(default_factory=dict)  # skid → receive time (µs) of its last good message


class Intake:
    """Works off ``inbox`` into ``spool``; ``acknowledge`` gets each batch of messages once it is on the disk.

    ``lookup`` is asked once a batch, so that a new fleet version counts from the next batch on. ``clock``
    is the wall clock or this process's own stream clock, which the clock topic moves on. ``sessions``
    puts Sparkplug's messages into their order; a message that waits there is not acknowledged either.
    """

    def __init__(
        self,
        *,
        inbox: Inbox,
        router: Router,
        lookup: Callable[[], Lookup],
        clock: Clock,
        spool: Spool,
        acknowledge: Callable[[Sequence[Message]], None],
        sessions: Sessions | None = None,
    ) -> None:
        self._inbox, self._router, self._lookup = inbox, router, lookup
        self._clock, self._spool, self._acknowledge = clock, spool, acknowledge
        self._sessions = sessions
        self._last_us = spool.last_received_us or 0
        self._memory: Memory | None = None
        self.figures = Figures()
        self.trouble = ""  # why nothing is acknowledged now, empty when all is well
        if isinstance(clock, StreamClock) and spool.announced_us is not None:
            clock.announce(moment(spool.announced_us))

    def run(self, stop: threading.Event) -> None:
        """Work until ``stop`` is set and the inbox is empty, or nothing can be spooled."""
        while True:
            messages = self._inbox.take(MAX_MESSAGES, wait_s=IDLE_S, linger_s=LINGER_S)
            if messages:
                if not self.work(messages, stop):
                    return
                self._inbox.done()
            elif self._sessions is not None and (waited := self._overdue(self._sessions, stop)):
                if not self.work((), stop, waited):
                    return
            elif stop.is_set():
                return
            elif self._memory is None or self._memory.reducer.waits(self._now_us()):
                self.work((), stop)

    def _overdue(self, sessions: Sessions, stop: threading.Event) -> list[Arrival]:
        """Ordered messages that are not to wait any longer for those before them; at the end, all."""
        return sessions.give_up() if stop.is_set() else sessions.due()

    def work(self, messages: Sequence[Message], stop: threading.Event, waited: Sequence[Arrival] = ()) -> bool:
        """One batch; False when ``stop`` came before it could be spooled, and then nothing is acknowledged.

        ``waited``: messages of earlier batches whose turn it is now.
        """
        lookup = self._lookup()
        backoff = Backoff(0.1, 5.0)
        while not self._spooled(lambda: self._remember(lookup)):
            if stop.wait(backoff.next()):
                return False
        memory = self._memory
        assert memory is not None
        bench = Bench(lookup, own_time=self._own_time, memory=memory)
        refused: list[RefusedMessage] = []
        announced: int | None = None
        seen: dict[str, int] = {}
        done: list[Message] = []
        for message, decoded in itertools.chain(waited, self._decoded(messages)):
            done.append(message)
            tally = decoded.refused
            if message.topic == CLOCK_TOPIC:
                announced = self._announce(message, tally) or announced
            else:
                self._judge(message, decoded, bench, seen)
            if tally.by_reason:
                told = tuple(tally.by_reason.values())
                refused.append(RefusedMessage(message.at_us, message.topic, message.payload, told))
        kept, changed = memory.reducer.thin(bench.samples(), max(self._last_us, self._now_us()))
        self._last_us = max(self._last_us, kept.received[-1].item() if len(kept) else 0)
        table = kept.table(lookup.series)
        held = (changed, lookup.series) if changed.put or changed.drop else None
        while not self._spooled(
            lambda: self._spool.append(table, announced_us=announced, refused=refused, doubts=bench.doubts, held=held)
        ):
            if stop.wait(backoff.next()):
                return False
        self._acknowledge(done if self._sessions is None else self._sessions.settled(done))
        self.figures.messages += len(done)
        self.figures.samples += len(table)
        self.figures.batches += 1
        self.figures.thinned = memory.reducer.thinned
        self.figures.last_seen.update(seen)
        return True

    def _decoded(self, messages: Iterable[Message]) -> Iterator[tuple[Message, Decoded]]:
        """Messages with what is in them, each when its turn has come: Sparkplug's may wait for others."""
        for message in messages:
            if message.topic == CLOCK_TOPIC:
                yield message, Decoded()
            elif self._sessions is not None and message.topic.startswith(f"{NAMESPACE}/"):
                yield from self._sessions.take(message)
            else:
                yield message, self._router.decode(message)
        if self._sessions is not None:
            yield from self._sessions.due()

    @property
    def _own_time(self) -> bool:
        return isinstance(self._clock, StreamClock)

    def _remember(self, lookup: Lookup) -> None:
        """Have a memory for this fleet version; at a start and under a new one it begins anew, and holds nothing."""
        if self._memory is None or self._memory.lookup is not lookup:
            now_us = max(self._last_us, self._now_us())
            if self._spool.held.release(now_us):
                self._last_us = now_us
            self._memory = Memory(lookup)

    def _now_us(self) -> int:
        now = self._clock.now()
        return EARLIEST_US if now is None else micros(now)

    def _judge(self, message: Message, decoded: Decoded, bench: Bench, seen: dict[str, int]) -> None:
        received_us = self._received(message, decoded.readings)
        bench.listen(decoded.readings, received_us)
        for reading in decoded.readings:
            if bench.judge(reading, received_us, decoded.refused):
                seen[reading.skid] = received_us

    def _received(self, message: Message, readings: Sequence[Reading]) -> int:
        """The receive time of a message: never below an earlier one's, also when the machine's clock steps back."""
        if isinstance(self._clock, StreamClock):
            now = self._clock.now()
            # Before the publisher's first announcement only the samples tell the time.
            possible = [each.time_us for each in readings if EARLIEST_US <= each.time_us < LATEST_US]
            received_us = micros(now) if now is not None else max(possible, default=EARLIEST_US)
        else:
            received_us = message.at_us
        self._last_us = max(self._last_us, received_us)
        return self._last_us

    def _announce(self, message: Message, refused: Tally) -> int | None:
        """Move the stream clock on to the time announced; that time in microseconds if it could be read."""
        try:
            document = orjson.loads(message.payload)
            time_us = wire_time(document["now"])
        except (ValueError, TypeError, KeyError) as error:
            refused.add(Reason.BAD_TIME, f"clock announcement: {type(error).__name__}: {error}")
            return None
        if not EARLIEST_US <= time_us < LATEST_US:
            refused.add(Reason.TIME_OUT_OF_RANGE, "clock announcement")
            return None
        if isinstance(self._clock, StreamClock):
            self._clock.announce(moment(time_us))
        return time_us

    def _spooled(self, append: Callable[[], object]) -> bool:
        try:
            append()
        except SpoolError as error:
            if not self.trouble:
                log.error("nothing is acknowledged until the spool takes it", reason=str(error))
            self.trouble = str(error)
            return False
        if self.trouble:
            log.info("the spool takes batches again")
        self.trouble = ""
        return True
