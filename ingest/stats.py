"""How ingest stands, for people and for the logbook."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from ingest.spool import Depth
from skidhand import __version__
from skidhand.clock import WallClock
from skidhand.model.heartbeat import Heartbeat


@dataclass(frozen=True, slots=True)
class IngestStats:
    """What ingest has done since it started, and how it stands now."""

    messages: int  # worked off: spooled or refused, then acknowledged
    samples: int  # spooled
    stored: int  # committed to the store
    refused: dict[str, int]  # by reason, since the spool was made
    queued: int  # messages that arrived and are not yet spooled
    depth: Depth  # what waits in the spool
    lag_s: float  # age of the oldest batch that waits, wall time
    last_seen: dict[str, datetime] = field(default_factory=dict)  # skid → receive time of its last good message
    trouble: dict[str, str] = field(default_factory=dict)  # broker, spool, store, logbook → what is wrong now


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
        figures={
            "messages": stats.messages,
            "samples": stats.samples,
            "stored": stats.stored,
            "queued": stats.queued,
            "spool_rows": stats.depth.rows,
            "spool_bytes": stats.depth.bytes,
        },
        last_seen=stats.last_seen,
        note=note or "; ".join(f"{name}: {what}" for name, what in stats.trouble.items()),
    )
