"""Batches for store tests, and the members that the contract suite runs over."""

from __future__ import annotations

import hashlib
import os
import uuid
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow as pa

from skidhand.model.samples import micros, table
from skidhand.stores import open_store
from skidhand.stores.base import Batch, Store
from tests.support import influx, s3

START = datetime(2026, 3, 1, 12, tzinfo=UTC)
START_US = micros(START)
SECOND = 1_000_000
LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)
FAR_OFF = datetime(2200, 1, 1, tzinfo=UTC)
BAD = 0x80000000
UNCERTAIN = 0x40000000

Row = tuple[str, float, float | None, int, float]
"""series, seconds after START, value, quality, received in seconds after START."""


def us(seconds: float) -> int:
    """Microseconds since the epoch, ``seconds`` after START."""
    return START_US + round(seconds * SECOND)


def at(seconds: float) -> datetime:
    """The datetime ``seconds`` after START."""
    return START + timedelta(seconds=seconds)


def batch(number: int, rows: Iterable[Row], *, writer: str = "w", digest: str | None = None) -> Batch:
    """A batch whose digest follows from its rows, unless one is given."""
    rows = list(rows)
    samples = table([(s, us(t), v, q, us(r)) for s, t, v, q, r in rows])
    return Batch(writer, number, digest or hashlib.sha256(repr(rows).encode()).hexdigest(), samples)


def good(series: str, *points: tuple[float, float]) -> list[Row]:
    """Good rows of one series from (seconds, value), received a second later."""
    return [(series, t, v, 0, t + 1) for t, v in points]


def read_all(store: Store, series: Iterable[str] | None = None, **options) -> pa.Table:
    """All samples of these series, or of every series that the store knows."""
    return store.read(list(series or store.series()), LONG_AGO, FAR_OFF, **options)


def points(samples: pa.Table) -> list[tuple[str, float, float | None]]:
    """(series, seconds after START, value) of each row."""
    rows = samples.to_pylist()
    return [(row["series"], (micros(row["time"]) - START_US) / SECOND, row["value"]) for row in rows]


@dataclass(frozen=True)
class Member:
    """One kind of store over one set of data: every ``open`` gives a new handle to the same data."""

    name: str
    open: Callable[[], Store]


def memory_member(folder: Path) -> Member:
    """The memory store; its name stands for the data."""
    url = f"memory://{uuid.uuid4()}"
    return Member("memory", lambda: open_store(url))


def lake_member(folder: Path) -> Member:
    """The lake in a folder that is not there yet."""
    return Member("lake", lambda: open_store(f"lake://{folder / 'lake'}"))


def s3_member(folder: Path) -> Member:
    """The lake in a bucket of a local S3 server."""
    os.environ.update(s3.ENVIRONMENT)
    url = s3.url(f"lake-{uuid.uuid4()}")
    return Member("s3", lambda: open_store(url))


def influx_member(folder: Path) -> Member:
    """A new bucket on the one InfluxDB of this test run."""
    url = influx.new_url()
    return Member("influx", lambda: open_store(url))


MEMBERS: dict[str, Callable[[Path], Member]] = {
    "memory": memory_member,
    "lake": lake_member,
    "influx": influx_member,
}
"""Every store that the contract suite runs over; a new store joins with one line."""

if os.environ.get("SKIDHAND_S3_SUITE"):  # minutes, for the lake's answers come from the same code in a folder
    MEMBERS["s3"] = s3_member
