"""How ingest stands, for people and for the logbook."""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass, field
from datetime import datetime

from ingest.spool_rows import Depth
from skidhand import __version__
from skidhand.clock import WallClock, monotonic
from skidhand.model.heartbeat import Heartbeat


@dataclass(frozen=True, slots=True)
class IngestStats:
    """What ingest has done since it started, and how it stands now."""

    messages: int  # worked off: spooled or refused, then acknowledged
    samples: int  # spooled
    stored: int  # committed to the store
    refused: dict[str, int]  # by reason, since the spool was made
    doubted: dict[str, int]  # taken in doubt, by doubt, since the spool was made
    queued: int  # messages that arrived and are not yet spooled
    depth: Depth  # what waits in the spool
    lag_s: float  # age of the oldest batch that waits for the store, wall time
    rate: float = 0.0  # samples spooled per second, lately
    unacknowledged_s: float = 0.0  # age of the oldest message that is not yet spooled and acknowledged, wall time
    thinned: int = 0  # samples left out, as the fleet file asks
    aside: int = 0  # samples that the store refuses, kept in the spool
    last_seen: dict[str, datetime] = field(default_factory=dict)  # skid → receive time of its last good message
    trouble: dict[str, str] = field(default_factory=dict)  # broker, spool, store, logbook → what is wrong now


class Rate:
    """Samples per second, from a count that only grows: over the last ``window_s`` at least, once so long has gone."""

    def __init__(self, window_s: float = 30.0) -> None:
        self._window_s, self._mutex = window_s, threading.Lock()
        self._marks: deque[tuple[float, int]] = deque([(monotonic(), 0)])

    def at(self, count: int) -> float:
        """The rate now, with the count as it stands. At most some 30 marks are kept, however often it is asked."""
        now = monotonic()
        with self._mutex:
            while len(self._marks) > 1 and self._marks[1][0] <= now - self._window_s:
                self._marks.popleft()
            since, before = self._marks[0]
            if now - self._marks[-1][0] >= self._window_s / 30:
                self._marks.append((now, count))
        return (count - before) / max(now - since, 0.001)


def heartbeat(stats: IngestStats, instance: str, note: str = "") -> Heartbeat:
    """The sign of life that tells ``stats``; what is wrong stands in its note, unless another is given."""
    return Heartbeat(
        service="ingest",
        instance=instance,
        at=WallClock().now(),
        version=__version__,
        lag_s=stats.lag_s,
        depth=stats.depth.samples,
        refusals=stats.refused,
        doubts=stats.doubted,
        figures={
            "messages": stats.messages,
            "samples": stats.samples,
            "stored": stats.stored,
            "queued": stats.queued,
            "spool_rows": stats.depth.rows,
            "spool_bytes": stats.depth.bytes,
            "samples_per_s": stats.rate,
            "unacknowledged_s": stats.unacknowledged_s,
            "thinned": stats.thinned,
            "aside": stats.aside,
        },
        last_seen=stats.last_seen,
        note=note or "; ".join(f"{name}: {what}" for name, what in stats.trouble.items()),
    )
