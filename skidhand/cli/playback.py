"""Sends what was recorded or simulated to a broker, in step with its own time."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa

from skidhand.clock import MINUTE_US, monotonic
from skidhand.demo.feed import Step
from skidhand.model.samples import moment

if TYPE_CHECKING:
    from simulator.publish import Feed
    from skidhand.fleet import Fleet

SETTLE: Final = timedelta(minutes=5)
"""Announced beyond the last sample, so that analytics' watermark passes it."""


def recording_steps(tables: Iterable[pa.Table]) -> Iterator[Step]:
    """Steps of one minute or more from rows as they were recorded; an earlier row stays where it stands."""
    reached = None
    for table in tables:
        received = table["received"].cast(pa.int64()).to_numpy()
        if len(received) == 0:
            continue
        highest = np.maximum.accumulate(received) // MINUTE_US
        if reached is not None:
            highest = np.maximum(highest, reached)
        edges = np.flatnonzero(np.diff(highest)) + 1
        for begin, stop in zip([0, *edges.tolist()], [*edges.tolist(), len(highest)], strict=True):
            end = moment((int(highest[begin]) + 1) * MINUTE_US)
            yield Step(end, table.slice(begin, stop - begin))
        reached = int(highest[-1])


def play(
    publisher: Feed,
    fleet: Fleet,
    steps: Iterable[Step],
    *,
    speed: float,
    announce: bool,
    told: Callable[[datetime], None] = lambda _: None,
) -> datetime | None:
    """Publish every step; the end of the last one, or None when there was none.

    ``speed`` times as fast as it happened, 0 for as fast as the broker takes it. ``announce``: tell stream
    clocks how far time has come.
    """
    from simulator.payload import sites, wire_names

    site_of, names, pause = sites(fleet), wire_names(fleet), threading.Event()
    began, first, last = monotonic(), None, None
    for step in steps:
        first = first or step.end
        if speed > 0:
            due = began + (step.end - first).total_seconds() / speed
            pause.wait(max(0.0, due - monotonic()))
        publisher.publish(step.samples, site_of, names)
        if announce:
            publisher.announce(step.end)
        last = step.end
        told(last)
    if announce and last is not None:
        publisher.announce(last + SETTLE)
    publisher.flush()
    return last
