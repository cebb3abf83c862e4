"""What now is: the only place in skidhand that knows.

``WallClock`` reads the machine. ``StreamClock`` serves demos and replays: its now is the highest time
that the publisher has announced on its clock topic, so that delays, quiet hours and escalation work in
the recording's own time. A store and its logbook carry one kind for life (``kind``).
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Final, Literal, Protocol

ClockKind = Literal["wall", "stream"]

CLOCK_TOPIC: Final = "skidhand/clock"
"""MQTT topic on which a demo's or a replay's publisher announces its time: ``{"now": RFC 3339}``."""

MINUTE_US: Final = 60_000_000


class Clock(Protocol):
    """Something that tells now, as an aware UTC datetime, or None when no time is known yet."""

    kind: ClockKind

    def now(self) -> datetime | None:
        """The current time; None only for a stream that has announced nothing."""
        ...


class WallClock:
    """The machine's own clock."""

    kind: ClockKind = "wall"

    def now(self) -> datetime:
        """The machine's time, UTC."""
        return datetime.now(UTC)


class StreamClock:
    """The highest announced time; safe to share between threads.

    ``source`` (optional) is asked for an announced time that another process has heard, for example
    the logbook's clock row.
    """

    kind: ClockKind = "stream"

    def __init__(self, source: Callable[[], datetime | None] | None = None) -> None:
        self._source = source
        self._highest: datetime | None = None
        self._lock = threading.Lock()

    def announce(self, now: datetime) -> None:
        """Move on to ``now``; an earlier time than the highest changes nothing."""
        with self._lock:
            if self._highest is None or now > self._highest:
                self._highest = now

    def now(self) -> datetime | None:
        """The highest time announced so far."""
        if self._source is not None and (heard := self._source()) is not None:
            self.announce(heard)
        return self._highest


def monotonic() -> float:
    """Seconds of a clock that never steps: for time-outs and rates only, never stored."""
    return time.monotonic()
