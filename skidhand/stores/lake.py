"""The lake: samples as a Delta Lake table in a folder, readable by any program that reads Delta.

``<folder>/samples`` is partitioned by ``day``, the UTC date of the source time. Columns are those of
``samples`` plus ``writer`` and ``batch``; ``received`` is kept in whole seconds. ``<folder>/rollups`` is made from
them. Only this module and its ``lake_*`` neighbours may write there: rows that another program puts in
are read, but reported neither by ``changes`` nor by ``series``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import ClassVar, Final

import pyarrow as pa
from deltalake import DeltaTable, Transaction
from pyarrow import fs

from skidhand.errors import (
    ClockMismatchError,
    NotFoundError,
    StoreConflictError,
    StoreError,
    WriterMismatchError,
)
from skidhand.model.samples import SAMPLES, micros
from skidhand.stores import lake_s3
from skidhand.stores.base import CLOCKS, Ages, Batch, Changes, Landed, Policy, check_clock
from skidhand.stores.buckets import BUCKETS, DAY, cell_of, cells, snap_width
from skidhand.stores.lake_build import roll_days
from skidhand.stores.lake_groups import Footers
from skidhand.stores.lake_history import History
from skidhand.stores.lake_ledger import Ledger, batch_mark, changed_spans
from skidhand.stores.lake_live import Files
from skidhand.stores.lake_plan import plan_days
from skidhand.stores.lake_read import RowCache, read_rows
from skidhand.stores.lake_retain import retain
from skidhand.stores.lake_rollup import ROLLUP_SCHEMA, Rollups
from skidhand.stores.lake_sums import day_sums
from skidhand.stores.lake_table import KEPT, LakeTable, engine_errors
from skidhand.stores.lake_tidy import clean_log, tidy_days
from skidhand.stores.lake_verify import verify
from skidhand.stores.lake_write import fresh_files, whole_seconds
from skidhand.stores.rollups import ROLLED
from skidhand.stores.rows import ROWS, batch_rows, last_of_each, samples_of, spans_of

CLOCK: Final = "skidhand.clock"
"""Application id whose number is the index in CLOCKS: it cannot be set twice at once, and appends go on."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The samples of one version of the table."""

    version: int
    files: Files
    filesystem: fs.FileSystem


EMPTY: Final = ":-1"
"""The cursor of a lake in which nothing was ever written."""

ANEW: Final = "read everything anew (cursor None)"


class LakeStore:
    """A Delta Lake store in the folder ``path``; made at the first write. Safe between threads."""

    scheme: ClassVar[str] = "lake"
    lacks: ClassVar[Mapping[str, str]] = {}

    def __init__(self, path: str, *, storage_options: Mapping[str, str] | None = None) -> None:
        """``path`` may also be an object store's URI, with its ``storage_options``."""
        self.path = path
        self._table = LakeTable(f"{path.rstrip('/')}/samples", storage_options)
        self._history = History(self._table)
        rollups = LakeTable(
            f"{path.rstrip('/')}/rollups", storage_options, schema=ROLLUP_SCHEMA, partition="width", keys="series,start"
        )
        self._cache, self._footers = RowCache(), Footers()
        self._rollups = Rollups(rollups, self._footers)
        self._ledger = Ledger()
        self._files: tuple[int, Files] | None = None

    @classmethod
    def from_url(cls, url: str) -> LakeStore:
        """From ``lake:///absolute/path``, a plain path, or ``s3://bucket/folder`` (see ``lake_s3``)."""
        if url.startswith("s3://"):
            path, options = lake_s3.parse(url)
            return cls(path, storage_options=options)
        return cls(url.removeprefix("lake://"))

    def write(self, batch: Batch) -> bool:
        """See :meth:`skidhand.stores.base.Store.write`. Returns when the commit is on the disk."""
        rows = whole_seconds(batch_rows(batch))
        mark = batch_mark(batch, spans_of(rows), day_sums(rows))
        with self._table.lock:  # from the check to the commit on one version of the table
            delta = self._table.ensure()
            if self._has_landed(batch):
                return False
            adds = fresh_files(self._table, delta, rows)
            try:
                self._table.append(adds, mark, Transaction(batch.writer, batch.number))
            except StoreConflictError:
                if self._has_landed(batch):
                    return False
                raise
            return True

    def _has_landed(self, batch: Batch) -> bool:
        last = self.landed(batch.writer)
        if last is None or batch.number > last.number:
            return False
        if batch.number == last.number:
            agrees = batch.digest == last.digest
        else:  # rare: a spool sends again what the store confirmed before its last
            mine = [batch.writer, batch.number, batch.digest]
            delta = self._table.ensure()
            agrees = any(mark.get("batch") == mine for _, mark in self._history.marks(delta, -1))
        if not agrees:
            raise WriterMismatchError(
                f"writer {batch.writer}: batch {batch.number} is at or below {last.number}, the last that landed in "
                f"{self.path}, but landed with other rows (or more than {KEPT.days} days ago); a spool restored "
                f"from a copy must mint a new writer id"
            )
        return True

    def landed(self, writer: str) -> Landed | None:
        """See :meth:`skidhand.stores.base.Store.landed`."""
        with self._table.lock:
            self._refresh()
            return self._ledger.writers.get(writer)

    def _refresh(self) -> DeltaTable | None:
        """The newest version of the table, with the ledger brought up to it."""
        delta = self._table.current()
        if delta is not None:
            self._ledger.catch_up(delta.version(), lambda after: self._history.marks(delta, after))
        return delta

    def _snapshot(self, as_of: str | None, newest: DeltaTable | None = None) -> Snapshot | None:
        """The files to read from (``newest``: the table just refreshed); None if nothing was ever written."""
        with self._table.lock:
            delta = newest or self._table.current()
            last = 0 if delta is None else delta.version()
            if as_of is not None:
                version = int(as_of) if as_of.isdecimal() else -1
                if not 0 <= version <= last:
                    raise NotFoundError(f"version {as_of!r} is not in lake {self.path}; valid: up to {last}")
                if delta is not None and version < last:
                    return self._old_snapshot(delta, version)
            if delta is None:
                return None
            if self._files is None or self._files[0] != delta.version():
                self._files = (delta.version(), Files.of(self._table.actions(delta)))
            return Snapshot(delta.version(), self._files[1], self._table.filesystem(delta))

    def _old_snapshot(self, newest: DeltaTable, version: int) -> Snapshot:
        delta = self._table.at(version)
        if delta is None:
            files = Files.of_days(self._history.files_at(newest, version))
        else:
            files = Files.of(self._table.actions(delta))
        return Snapshot(version, files, self._table.filesystem(newest))

    def _read(
        self, snapshot: Snapshot | None, series: Sequence[str], start_us: int, end_us: int, policy: Policy
    ) -> pa.Table:
        if snapshot is None or not series:
            return samples_of(ROWS.empty_table(), policy)
        kept, wanted = (self._cache, self._footers), sorted(set(series))
        with engine_errors(f"cannot read lake {self.path}"):
            rows = read_rows(snapshot.filesystem, snapshot.files, *kept, wanted, start_us, end_us)
            return samples_of(rows, policy)

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
        return self._read(self._snapshot(as_of), series, micros(start), micros(end), policy)

    def latest(self, series: Sequence[str], *, policy: Policy = "all") -> pa.Table:
        """See :meth:`skidhand.stores.base.Store.latest`. Looks back day by day from each series' last row."""
        with self._table.lock:
            self._refresh()
            spans = {name: span for name in series if (span := self._ledger.spans.get(name)) is not None}
            snapshot = self._snapshot(None)
        pending = {name: span.last_us for name, span in spans.items()}
        found = [SAMPLES.empty_table()]
        while pending:
            day = max(pending.values()) // DAY * DAY
            group = {name: last for name, last in pending.items() if last >= day}
            for start in (min(group.values()), day):  # most often the last rows of all are close together
                rows = last_of_each(self._read(snapshot, list(group), start, day + DAY, policy))
                found.append(rows)
                for name in map(str, rows["series"].to_pylist()):
                    del group[name], pending[name]
                if not group:
                    break
            for name in group:  # no row of that day is of the policy
                pending[name] = day - 1
                if spans[name].first_us >= day:
                    del pending[name]
        return pa.concat_tables(found).sort_by("series").combine_chunks()

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
        """See :meth:`skidhand.stores.base.Store.read_buckets`: from rollups where they stand, else from raw."""
        width, start_us, end_us = snap_width(width), micros(start), micros(end)
        with self._table.lock:
            rollups = self._rollups.files() if policy in ROLLED else ()  # first: none is newer than the samples
            delta = self._refresh()
            snapshot = self._snapshot(as_of, delta)
            if snapshot is None or not series:
                return BUCKETS.empty_table()
            plan = plan_days(rollups, self._ledger, snapshot.version, snapshot.files, series, cell_of(width))

        def raw(names: Sequence[str], start_us: int, end_us: int) -> pa.Table:
            return cells(self._read(snapshot, names, start_us, end_us, "all"), cell_of(width), policy)

        def rolled(names: Sequence[str], start_us: int, end_us: int) -> pa.Table:
            return self._rollups.cells(plan.files(start_us, end_us), sorted(set(names)), start_us, end_us, policy)

        with engine_errors(f"cannot read the rollups of lake {self.path}"):
            return plan.buckets(start_us, end_us, width, raw=raw, rolled=rolled)

    def changes(self, cursor: str | None) -> Changes:
        """See :meth:`skidhand.stores.base.Store.changes`; StoreError when the cursor is too old."""
        with self._table.lock:
            delta = self._refresh()
            table, version = ("", -1) if delta is None else (delta.metadata().id, delta.version())
            now = f"{table}:{version}"
            if cursor is None or cursor == EMPTY:
                return Changes(now, dict(self._ledger.spans))
            owner, _, text = cursor.rpartition(":")
            since = int(text) if text.isdecimal() else -1
            if delta is None or owner != table or not 0 <= since <= version:
                raise StoreError(f"cursor {cursor!r} is not of lake {self.path}; {ANEW}")
            marks = self._history.marks(delta, since)
        if len(marks) < version - since:
            raise StoreError(
                f"cursor {cursor!r} is too old: lake {self.path} keeps what changed for {KEPT.days} days; {ANEW}"
            )
        return Changes(now, changed_spans(marks))

    def series(self) -> list[str]:
        """See :meth:`skidhand.stores.base.Store.series`."""
        with self._table.lock:
            self._refresh()
            return sorted(self._ledger.spans)

    def version(self) -> str:
        """The Delta table's version, "0" before the first write; readable again for KEPT."""
        delta = self._table.current()
        return "0" if delta is None else str(delta.version())

    def set_clock(self, kind: str) -> None:
        """See :meth:`skidhand.stores.base.Store.set_clock`."""
        check_clock(kind)
        self._table.ensure()
        delta = self._table.fork()
        if delta.transaction_version(CLOCK) is None:
            with suppress(StoreConflictError):  # another process set it in this moment: what it set counts
                self._table.commit(delta, [], {"clock": kind}, Transaction(CLOCK, CLOCKS.index(kind)))
            delta = self._table.fork()
        found = delta.transaction_version(CLOCK)
        if found != CLOCKS.index(kind):
            known = "unknown" if found is None else CLOCKS[found]
            raise ClockMismatchError(f"lake {self.path} runs on the {known} clock, not {kind}")

    def tidy(self, *, now: datetime, keep: Mapping[str, Ages] | None = None) -> Iterator[str]:
        """See :meth:`skidhand.stores.base.Store.tidy`: merge and seal days, roll up, retain, shorten the log."""
        yield from tidy_days(self._table, now)
        yield from roll_days(self._table, self._rollups, self._ledger_now, now)
        yield from retain(self._table, self._rollups, self._ledger_now, now, keep or {})
        yield from clean_log(self._table, [self._rollups.table], self._history, self._ledger_now)

    def _ledger_now(self) -> Ledger:
        with self._table.lock:
            self._refresh()
            return self._ledger.copy()

    def verify(self) -> Iterator[str]:
        """See :meth:`skidhand.stores.base.Store.verify`: the log, every file, and each day's count and checksum."""
        yield from verify(self._table, self._rollups.table, self._ledger_now)

    def close(self) -> None:
        """Let go of decoded files; nothing else is held open."""
        self._cache, self._footers = RowCache(), Footers()


PLUGIN = LakeStore
