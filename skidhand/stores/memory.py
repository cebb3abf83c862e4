"""A store that lives as long as its process: for tests and small runs."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import ClassVar

import pyarrow as pa

from skidhand.errors import ClockMismatchError, NotFoundError, StoreError, WriterMismatchError
from skidhand.model.samples import micros
from skidhand.stores.base import Ages, Batch, Changes, Landed, Policy, Span, check_clock
from skidhand.stores.buckets import buckets_by_day
from skidhand.stores.rows import ROWS, batch_rows, in_span, last_of_each, merge_spans, samples_of, spans_of


@dataclass(frozen=True, slots=True)
class _Commit:
    writer: str
    number: int
    digest: str
    rows: pa.Table
    spans: dict[str, Span]


class MemoryStore:
    """Keeps every commit; the n-th commit is version n. One lock makes each call atomic between threads."""

    scheme: ClassVar[str] = "memory"
    lacks: ClassVar[Mapping[str, str]] = {
        "retention": "what it holds goes with its process",
        "verify": "there are no files to check",
    }
    _named: ClassVar[dict[str, MemoryStore]] = {}  # one process, one store a name

    def __init__(self) -> None:
        self._lock = threading.RLock()
        self._commits: list[_Commit] = []
        self._clock: str | None = None

    @classmethod
    def from_url(cls, url: str) -> MemoryStore:
        """``memory://name`` is the same store for all of the process, ``memory://`` a new one each time."""
        name = url.partition("://")[2].strip("/")
        return cls._named.setdefault(name, cls()) if name else cls()

    def write(self, batch: Batch) -> bool:
        """See :meth:`skidhand.stores.base.Store.write`."""
        rows = batch_rows(batch)
        with self._lock:
            last = self.landed(batch.writer)
            if last is not None and batch.number <= last.number:
                self._check_digest(batch)
                return False
            spans = spans_of(rows)
            self._commits.append(_Commit(batch.writer, batch.number, batch.digest, rows, spans))
            return True

    def _check_digest(self, batch: Batch) -> None:
        for commit in self._commits:
            if (commit.writer, commit.number, commit.digest) == (batch.writer, batch.number, batch.digest):
                return
        raise WriterMismatchError(
            f"writer {batch.writer}: batch {batch.number} is at or below the last that landed, but landed with "
            f"other rows; a spool restored from a copy must mint a new writer id"
        )

    def landed(self, writer: str) -> Landed | None:
        """See :meth:`skidhand.stores.base.Store.landed`."""
        with self._lock:
            own = [commit for commit in self._commits if commit.writer == writer]
        return Landed(own[-1].number, own[-1].digest) if own else None

    def _until(self, as_of: str | None) -> list[_Commit]:
        with self._lock:
            count = len(self._commits)
            version = count if as_of is None else int(as_of) if as_of.isdecimal() else -1
            if not 0 <= version <= count:
                raise NotFoundError(f"version {as_of!r} is not in this store; valid: 0 to {count}")
            return self._commits[:version]

    def _rows(self, series: Sequence[str], start_us: int, end_us: int, as_of: str | None) -> pa.Table:
        names = set(series)
        parts = [ROWS.empty_table()]
        for commit in self._until(as_of):
            spans = (commit.spans[name] for name in names & commit.spans.keys())
            if any(span.first_us < end_us and span.last_us >= start_us for span in spans):
                parts.append(commit.rows)
        return in_span(pa.concat_tables(parts), pa.array(names, type=pa.string()), start_us, end_us)

    def read(
        self,
        series: Sequence[str],
        start: datetime,
        end: datetime,
        *,
        policy: Policy = "all",
        as_of: str | None = None,
    ) -> pa.Table:
        """See :meth:`skidhand.stores.base.Store.read`."""
        return self._read(series, micros(start), micros(end), policy, as_of)

    def _read(self, series: Sequence[str], start_us: int, end_us: int, policy: Policy, as_of: str | None) -> pa.Table:
        return samples_of(self._rows(series, start_us, end_us, as_of), policy)

    def latest(self, series: Sequence[str], *, policy: Policy = "all") -> pa.Table:
        """See :meth:`skidhand.stores.base.Store.latest`."""
        return last_of_each(self._read(series, -(2**62), 2**62, policy, None))

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
        """See :meth:`skidhand.stores.base.Store.read_buckets`."""

        def read(start_us: int, end_us: int) -> pa.Table:
            return self._read(series, start_us, end_us, "all", as_of)

        return buckets_by_day(read, start, end, width, policy)

    def changes(self, cursor: str | None) -> Changes:
        """See :meth:`skidhand.stores.base.Store.changes`."""
        with self._lock:
            commits = self._until(None)
        since = 0 if cursor is None else int(cursor) if cursor.isdecimal() else -1
        if not 0 <= since <= len(commits):
            raise StoreError(f"cursor {cursor!r} is not of this store; read everything anew (cursor None)")
        spans: dict[str, Span] = {}
        for commit in commits[since:]:
            merge_spans(spans, commit.spans.items())
        return Changes(str(len(commits)), spans)

    def series(self) -> list[str]:
        """See :meth:`skidhand.stores.base.Store.series`."""
        return sorted(self.changes(None).spans)

    def version(self) -> str:
        """The count of commits."""
        return str(len(self._commits))

    def set_clock(self, kind: str) -> None:
        """See :meth:`skidhand.stores.base.Store.set_clock`."""
        check_clock(kind)
        with self._lock:
            if (self._clock or kind) != kind:
                raise ClockMismatchError(f"this store runs on the {self._clock} clock, not {kind}")
            self._clock = kind

    def tidy(self, *, now: datetime, keep: Mapping[str, Ages] | None = None) -> Iterator[str]:  # noqa: ARG002
        """Nothing to do: there are no files, and old versions stay readable."""
        if keep:
            raise StoreError(f"retention: {self.lacks['retention']}")
        yield from ()

    def verify(self) -> Iterator[str]:
        """Not here (see ``lacks``)."""
        raise StoreError(f"verify: {self.lacks['verify']}")

    def close(self) -> None:
        """Nothing to let go of."""


PLUGIN = MemoryStore
