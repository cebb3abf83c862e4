"""Tidying a lake: few large sorted files in place of many small ones, and a short log.

A day's files are of three sorts, told by name: fresh (as appended), ``settled-`` (merged while the day goes
on, or late rows merged after it) and ``sealed-`` (all of a day that is over). A merge takes the fresh files and
those merged ones that are not much larger than all that is taken so far, so that a row is rewritten some
log(rows) times and a day holds few files at any time.

Every merge is one commit that removes the old files and adds the new ones without changing data, which does
not disturb appends. Killed before that commit it leaves a file that nothing names; the clean-up deletes it.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc
from deltalake import DeltaTable, Transaction
from deltalake.transaction import AddAction
from pyarrow import fs

from skidhand.errors import StoreConflictError
from skidhand.model.samples import EPOCH
from skidhand.stores.lake_files import ROW_GROUP, removal, rows_added, write_file
from skidhand.stores.lake_history import History
from skidhand.stores.lake_ledger import Ledger
from skidhand.stores.lake_sums import Sum, sum_of
from skidhand.stores.lake_table import LakeTable, engine_errors
from skidhand.stores.rows import ROWS, latest_wins

TIDY: Final = "skidhand.tidy"
"""Application id of all tidy commits: of two tidies at once the second commit is refused."""

SEAL_AFTER: Final = timedelta(hours=1)
"""A day is sealed this long after its end; later rows are merged beside the sealed file."""

CARRY_EVERY: Final = 256
"""Commits after which the log is cleaned again; a new reader reads at most about as many."""

GROWTH: Final = 4
"""A merged file is merged again when it has at most this many times the rows taken so far."""

SLICE_ROWS: Final = 4_000_000
"""Rows merged at once in memory (some 100 bytes each); a larger day is written by ranges of series."""


@dataclass(frozen=True, slots=True)
class DataFile:
    """One live data file."""

    path: str
    size: int
    rows: int
    day: date

    @property
    def sort(self) -> str:
        """``fresh``, ``settled`` or ``sealed``."""
        sort = self.path.rpartition("/")[2].partition("-")[0]
        return sort if sort in ("settled", "sealed") else "fresh"

    @property
    def rid_of(self) -> str:
        """The digest of the series that retention took out of it, if it did."""
        return self.path.rpartition("/")[2].split("-")[1]


def live_files(table: LakeTable, delta: DeltaTable) -> dict[date, list[DataFile]]:
    """The live data files by day, days in order."""
    actions = table.actions(delta).select(["path", "size_bytes", "num_records", "partition.day"])
    days: dict[date, list[DataFile]] = {}
    for path, size, rows, day in zip(*(column.to_pylist() for column in actions.columns), strict=True):
        file = DataFile(path, size, rows or 0, day)  # another program may leave out the count
        days.setdefault(file.day, []).append(file)
    return dict(sorted(days.items()))


def choose(files: list[DataFile], *, over: bool) -> tuple[list[DataFile], str]:
    """Which of a day's files to merge now, and the sort of the result; no files when there is no need."""
    fresh = [file for file in files if file.sort == "fresh"]
    if over and all(file.sort != "sealed" for file in files):
        return files, "sealed"
    if len(fresh) < 2 and not (over and fresh):
        return [], ""
    chosen, total = fresh, sum(file.rows for file in fresh)
    for file in sorted((f for f in files if f.sort != "fresh"), key=lambda f: f.rows):
        if file.rows > GROWTH * total:
            break
        chosen, total = [*chosen, file], total + file.rows
    return chosen, "sealed" if any(file.sort == "sealed" for file in chosen) else "settled"


def tidy_days(table: LakeTable, now: datetime) -> Iterator[str]:
    """Merge what is worth merging, day by day; a line for each merge."""
    if table.current() is None:
        return
    days = live_files(table, table.fork())
    for day in [day for day, files in days.items() if choose(files, over=is_over(day, now))[0]]:
        delta = table.fork()
        chosen, sort = choose(live_files(table, delta).get(day, []), over=is_over(day, now))
        if not chosen:
            continue  # another tidy did it since
        try:
            before, after = _merge(table, delta, chosen, sort)
        except StoreConflictError:
            yield f"{day}: another tidy was first; left as it is"
            return
        yield f"{day}: {len(chosen)} files with {before} rows {sort} into {after} rows"


def clean_log(
    table: LakeTable, others: Sequence[LakeTable], history: History, ledger: Callable[[], Ledger]
) -> Iterator[str]:
    """Carry the ledger forward, bundle what commits said, then delete old commits and data files nobody needs."""
    if table.current() is None:
        return
    delta, known = table.fork(), ledger()
    if known.version - known.carried < CARRY_EVERY:
        return
    try:
        table.commit(delta, [], known.carry_mark(), Transaction(TIDY, delta.version() + 1))
    except StoreConflictError:
        yield "log: another tidy was first; left as it is"
        return
    history.bundle(table.fork(), delta.version())
    gone = sum(each.clean() for each in (table, *others) if each.current() is not None)
    yield f"log: {gone} data files deleted that nothing needs"


def is_over(day: date, now: datetime) -> bool:
    """Whether ``day`` may be sealed."""
    return now >= datetime.combine(day, datetime.min.time(), UTC) + timedelta(days=1) + SEAL_AFTER


def _merge(table: LakeTable, delta: DeltaTable, chosen: list[DataFile], sort: str) -> tuple[int, int]:
    day, partition = chosen[0].day, {"day": chosen[0].day.isoformat()}
    adds: list[AddAction] = []
    gone = Sum()
    with engine_errors(f"cannot merge day {day} of lake {table.uri}"):
        for found in slices(table.filesystem(delta), chosen):
            rows = latest_wins(found)
            if len(rows) < len(found):
                gone += sum_of(found) - sum_of(rows)
            path = f"day={day}/{sort}-{uuid.uuid4()}.parquet"
            adds.append(write_file(table, delta, path, rows, partition, row_group=ROW_GROUP))
    removes = [removal(file.path, file.size, partition) for file in chosen]
    mark = {"gone": [(day - EPOCH.date()).days, gone.rows, gone.hashes]}
    table.commit(delta, [*adds, *removes], mark, Transaction(TIDY, delta.version() + 1))
    return sum(file.rows for file in chosen), sum(map(rows_added, adds))


def slices(filesystem: fs.FileSystem, chosen: list[DataFile]) -> Iterator[pa.Table]:
    """The chosen files' rows, as they lie, in ranges of series that fit in memory."""
    import pyarrow.dataset as ds  # 12 MB, which an ingest worker on the same lake does not need

    dataset = ds.dataset([f.path for f in chosen], schema=ROWS, format="parquet", filesystem=filesystem)
    count = -(-sum(file.rows for file in chosen) // SLICE_ROWS)
    if count <= 1:
        yield dataset.to_table()
        return
    names: set[str] = set()
    for batch in dataset.to_batches(columns=["series"]):
        names.update(str(name) for name in pc.unique(batch["series"]).to_pylist())
    ordered, step = sorted(names), -(-len(names) // count)
    for at in range(0, len(ordered), step):
        part = ordered[at : at + step]
        bounds = (ds.field("series") >= part[0]) & (ds.field("series") <= part[-1])
        yield dataset.to_table(filter=bounds)
