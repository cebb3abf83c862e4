"""Where a lake's rollups lie, and which of them still stand.

``<folder>/rollups`` is a Delta table beside the samples, partitioned by ``width`` (60 or 3600 seconds). There is
one file of minutes a day and one file of hours a month. A file's name says which days of which month it covers
and from which version of the samples it was built: ``<month>.<days as bits>.<version>.<rid of>.<uuid>.parquet``. A
day in it stands as long as no commit after that version brought rows of the day, which the commits say themselves;
so late rows make their day's rollups stale in the very commit that brings them, and nothing can fall between.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import pyarrow as pa
import pyarrow.parquet as pq
from deltalake import DeltaTable
from deltalake.transaction import AddAction, RemoveAction

from skidhand.model.samples import EPOCH
from skidhand.stores.base import Policy
from skidhand.stores.lake_files import removal, write_file
from skidhand.stores.lake_groups import Footers, read_groups
from skidhand.stores.lake_table import LakeTable
from skidhand.stores.rollups import ROLLUPS, buckets_from, columns_for

MINUTE: Final = 60
HOUR: Final = 3600

ROLLUP_SCHEMA: Final = pa.schema([*ROLLUPS, pa.field("width", pa.int32(), nullable=False)])

_ROW_GROUP: Final = 8192
"""Rows a row group: some six series of a day of minutes, or eleven of a month of hours."""

_SORTED: Final = [("series", "ascending"), ("start", "ascending")]


@dataclass(frozen=True, slots=True)
class RollupFile:
    """One live file: ``days`` (counted from the UTC epoch) that it covers, as of version ``built`` of the samples."""

    path: str
    size: int
    width: int
    built: int
    days: frozenset[int]
    rid_of: str  # digest of the series that retention took out of it; "0" for none

    @classmethod
    def of(cls, path: str, size: int) -> RollupFile:
        """From its path, as :meth:`Rollups.add` made it."""
        folder, _, name = path.rpartition("/")
        month, bits, built, rid_of, *_ = name.split(".")
        first = day_number(date.fromisoformat(f"{month}-01"))
        days = frozenset(first + k for k in range(31) if int(bits, 16) >> k & 1)
        return cls(path, size, int(folder.partition("=")[2]), int(built), days, rid_of)


def day_number(day: date) -> int:
    """Days from the epoch."""
    return (day - EPOCH.date()).days


def day_of(number: int) -> date:
    """The opposite of :func:`day_number`."""
    return EPOCH.date() + timedelta(days=number)


class Rollups:
    """The rollups of one lake; made with the first day that is over. Safe between threads."""

    def __init__(self, table: LakeTable, footers: Footers) -> None:
        self.table = table
        self._footers = footers
        self._known: tuple[int, tuple[RollupFile, ...]] = (-1, ())

    def files(self) -> tuple[RollupFile, ...]:
        """The live files at the newest version."""
        with self.table.lock:
            delta = self.table.current()
            if delta is None:
                return ()
            if self._known[0] != delta.version():
                self._known = (delta.version(), files_of(self.table, delta))
            return self._known[1]

    def cells(
        self, files: Iterable[RollupFile], series: Sequence[str], start_us: int, end_us: int, policy: Policy
    ) -> pa.Table:
        """BUCKETS of the files' own width with start ≤ bucket < end, sorted by (series, start), as ``series`` is."""
        delta = self.table.current()
        if delta is None:
            return buckets_from(ROLLUPS.empty_table(), policy)
        filesystem, columns, span = self.table.filesystem(delta), columns_for(policy), (start_us, end_us)
        parts = [ROLLUPS.empty_table().select(columns)]
        for path in sorted({file.path for file in files}):
            parts += read_groups(filesystem, self._footers, path, series, span, columns, "start")
        return buckets_from(pa.concat_tables(parts).sort_by(_SORTED), policy)  # type: ignore[arg-type]

    def old_rows(self, delta: DeltaTable, file: RollupFile) -> pa.Table:
        """All rows of one file."""
        path, filesystem = file.path, self.table.filesystem(delta)
        with filesystem.open_input_file(path) as source, pq.ParquetFile(source) as found:
            return found.read(columns=ROLLUPS.names).cast(ROLLUPS)

    def add(
        self, delta: DeltaTable, rows: pa.Table, width: int, days: Iterable[int], built: int, *, rid_of: str = "0"
    ) -> AddAction:
        """Write a file that covers ``days``, all of one month; the action that adds it."""
        numbers = sorted(days)
        month = day_of(numbers[0]).replace(day=1)
        bits = sum(1 << number - day_number(month) for number in numbers)
        path = f"width={width}/{month:%Y-%m}.{bits:08x}.{built}.{rid_of}.{uuid.uuid4()}.parquet"
        ordered = rows.sort_by(_SORTED)  # type: ignore[arg-type]
        return write_file(self.table, delta, path, ordered, {"width": str(width)}, row_group=_ROW_GROUP)

    def remove(self, file: RollupFile) -> RemoveAction:
        """The action that takes ``file`` out."""
        return removal(file.path, file.size, {"width": str(file.width)})


def files_of(table: LakeTable, delta: DeltaTable) -> tuple[RollupFile, ...]:
    """The live files of one version."""
    actions = table.actions(delta).select(["path", "size_bytes"])
    return tuple(
        RollupFile.of(path, size)
        for path, size in zip(*(column.to_pylist() for column in actions.columns), strict=True)
    )


def standing(
    files: Iterable[RollupFile], width: int, version: int, last_touch: Callable[[int], int]
) -> Mapping[int, RollupFile]:
    """Day → the file that gives what the samples at ``version`` give; days that are stale are left out."""
    return {
        day: file
        for file in files
        if file.width == width
        for day in file.days
        if last_touch(day) <= min(file.built, version)
    }
