"""What every store promises. One contract suite (tests/stores/) runs over every member."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import ClassVar, Final, Literal, Protocol, Self, runtime_checkable

import pyarrow as pa

Policy = Literal["good", "usable", "all"]
"""Which samples a read takes: Good only; Good and Uncertain; everything."""

WIDTHS: Final[tuple[int, ...]] = (60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)
"""Bucket widths in seconds that ``read_buckets`` snaps to, counted from the UTC epoch."""

CLOCKS: Final = ("wall", "stream")
"""The kinds of clock that a store can carry for life."""

BUCKET_COLUMNS: Final = (
    "series",  # string
    "start",  # timestamp[us, UTC]: start of the bucket
    "count",  # int64: samples that the policy takes
    "min",
    "max",
    "first",
    "last",
    "sum",  # float64 of those samples
    "integral",  # value × seconds, each sample held until the next one or the bucket's end
    "covered",  # seconds for which a value stood; mean = integral / covered
)


@dataclass(frozen=True, slots=True)
class Span:
    """Source times of what arrived for one series: first and last, microseconds, both included."""

    first_us: int
    last_us: int


@dataclass(frozen=True, slots=True)
class Changes:
    """What arrived after a cursor: per series its span of source times, and the cursor to ask from next."""

    cursor: str
    spans: Mapping[str, Span] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Batch:
    """One atomic write. ``number`` grows by the spool's own count; ``digest`` chains all rows up to it.

    ``writer`` is the UUID minted with the spool file. A batch whose number is at or below the store's
    last for that writer has already landed and is skipped, if the digest agrees.
    """

    writer: str
    number: int
    digest: str
    samples: pa.Table  # schema skidhand.model.samples.SAMPLES


@dataclass(frozen=True, slots=True)
class Ages:
    """How many days after its UTC day a series' data are kept; None: for ever. Raw goes first, hours last."""

    raw: int | None = None
    minutes: int | None = None
    hours: int | None = None


@dataclass(frozen=True, slots=True)
class Landed:
    """The last batch that the store holds of one writer."""

    number: int
    digest: str


def check_clock(kind: str) -> None:
    """ValueError unless ``kind`` is one of CLOCKS."""
    if kind not in CLOCKS:
        raise ValueError(f"unknown clock {kind!r}; valid: {', '.join(CLOCKS)}")


@runtime_checkable
class Store(Protocol):
    """A time-series store. Times are aware UTC datetimes, spans half-open [start, end).

    Every method raises StoreError (chained) when the engine fails, StoreConflictError when another
    writer was first and retries ran out, StoreRefusedError when the engine does not take the rows of a
    write, IntegrityError's children when going on would do damage.
    """

    scheme: ClassVar[str]
    """The URL scheme that picks this store, for example ``lake``."""

    lacks: ClassVar[Mapping[str, str]]
    """Abilities this store does not have: name → reason. Known names: ``as_of``, ``changes``, ``retention``,
    ``verify``.

    Using one raises StoreError with the reason.
    """

    @classmethod
    def from_url(cls, url: str) -> Self:
        """The store that ``url`` names; SettingsError says what is wrong with it."""
        ...

    def write(self, batch: Batch) -> bool:
        """Commit the batch exactly once; False when it had already landed.

        Raises WriterMismatchError when the number had landed with another digest.
        """
        ...

    def landed(self, writer: str) -> Landed | None:
        """The last batch that landed of ``writer``, or None."""
        ...

    def read(
        self,
        series: Sequence[str],
        start: datetime,
        end: datetime,
        *,
        policy: Policy = "all",
        as_of: str | None = None,
    ) -> pa.Table:
        """Samples of these series, one row per key (the latest wins), sorted by (series, time).

        A store may keep ``received`` rounded down to whole seconds, and then also decides by that.
        """
        ...

    def latest(self, series: Sequence[str], *, policy: Policy = "all") -> pa.Table:
        """The newest sample (by source time) of each series that has one."""
        ...

    def read_buckets(
        self,
        series: Sequence[str],
        start: datetime,
        end: datetime,
        width: int,
        *,
        policy: Policy = "usable",
        as_of: str | None = None,
    ) -> pa.Table:
        """Statistics per bucket (BUCKET_COLUMNS), same answer from rollups or raw; empty buckets absent.

        ``width`` (seconds) snaps up to the next of WIDTHS, ``start`` down to a bucket's edge and
        ``end`` up. For ``integral`` and ``covered`` a value is held until the series' next sample (of any
        policy), at most 10 minutes and never over the end of its cell: the cell is the minute for widths
        below one hour and the hour from one hour on, so that rollups add up to what raw samples give.
        """
        ...

    def changes(self, cursor: str | None) -> Changes:
        """What arrived since ``cursor`` (None: everything). Written in the same step as the samples."""
        ...

    def series(self) -> list[str]:
        """Every series id that has samples, sorted."""
        ...

    def version(self) -> str:
        """A name for the store's state now, accepted as ``as_of``."""
        ...

    def set_clock(self, kind: str) -> None:
        """Fix this store's clock for life (``wall`` or ``stream``); ClockMismatchError if it differs."""
        ...

    def tidy(self, *, now: datetime, keep: Mapping[str, Ages] | None = None) -> Iterator[str]:
        """Compact, sort, deduplicate, roll up, retain; yields a line a step. May be killed and run again.

        ``keep`` maps series to their ages; series that it does not name are kept for ever.
        """
        ...

    def verify(self) -> Iterator[str]:
        """A line for each fault of what is stored (lost, doubled, damaged); none when it is sound."""
        ...

    def close(self) -> None:
        """Let go of files and connections."""
        ...
