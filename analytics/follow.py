"""Cycle after cycle: what one has done, the rest between two, and the heartbeat."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import datetime
from importlib.metadata import version

import structlog

from analytics.plans import HORIZON
from skidhand.clock import WallClock
from skidhand.errors import OutsideError
from skidhand.logbook import Logbook
from skidhand.model.heartbeat import Heartbeat

_log = structlog.get_logger(__name__)


@dataclass
class Summary:
    """What one cycle did. ``behind_s``: now less the oldest watermark; ``too_old``: skids with data older
    than the horizon that were not worked in.
    """

    tick: datetime | None = None
    skids: int = 0
    minutes: int = 0
    findings: int = 0
    rewound: dict[str, datetime] = field(default_factory=dict)
    too_old: dict[str, datetime] = field(default_factory=dict)
    not_ours: list[str] = field(default_factory=list)
    behind_s: float = 0.0


def together(summaries: Iterable[Summary]) -> Summary:
    """What several parts of a fleet came to in one cycle; its tick is the earliest of theirs."""
    whole = Summary()
    for part in summaries:
        whole.tick = min(filter(None, (whole.tick, part.tick)), default=None)
        whole.skids += part.skids
        whole.minutes += part.minutes
        whole.findings += part.findings
        whole.rewound |= part.rewound
        whole.too_old |= part.too_old
        whole.not_ours += part.not_ours
        whole.behind_s = max(whole.behind_s, part.behind_s)
    return whole


def follow(
    run_once: Callable[[], Summary], logbook: Logbook, owner: str, interval_s: float, stop: threading.Event
) -> None:
    """Cycle after cycle until ``stop`` is set, with a heartbeat of ``owner`` each; waits out what is away."""
    while not stop.is_set():
        try:
            _beat(run_once(), logbook, owner)
        except OutsideError as error:
            _log.error("something that analysis needs is away; trying again", error=str(error))
        stop.wait(interval_s)


def _beat(summary: Summary, logbook: Logbook, owner: str) -> None:
    figures = {"skids": summary.skids, "minutes": summary.minutes, "findings": summary.findings}
    logbook.heartbeats.beat(
        Heartbeat(
            service="analyze",
            instance=owner,
            at=WallClock().now(),
            version=version("skidhand"),
            lag_s=summary.behind_s,
            refusals={f"older than {HORIZON // (24 * 60)} days": len(summary.too_old)} if summary.too_old else {},
            figures={name: float(figure) for name, figure in figures.items()},
        )
    )
