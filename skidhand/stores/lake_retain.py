"""Retention in a lake: raw rows, minutes and hours go when they reach the ages of their series.

Raw rows go only from a day that is over and whose rollups stand; the commit that removes them says of which series,
and from then on those series' rollups of the day are the truth and are copied, not computed, when late rows come.
Which series a file was rid of stands in its name as a digest, so that a file is looked at once, not at every run.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from hashlib import blake2b
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc
from deltalake import DeltaTable, Transaction
from deltalake.transaction import AddAction

from skidhand.errors import StoreConflictError
from skidhand.model.samples import micros
from skidhand.stores.base import Ages
from skidhand.stores.buckets import DAY
from skidhand.stores.lake_files import ROW_GROUP, removal, write_file
from skidhand.stores.lake_ledger import Ledger, pack
from skidhand.stores.lake_rollup import HOUR, MINUTE, RollupFile, Rollups, day_number, day_of, files_of, standing
from skidhand.stores.lake_sums import Sum, sum_of
from skidhand.stores.lake_table import LakeTable, engine_errors
from skidhand.stores.lake_tidy import TIDY, DataFile, is_over, live_files, slices

NOTHING: Final = "0"

Keep = Mapping[str, Ages]


def past(keep: Keep, what: str, day: int, today: int) -> list[str]:
    """The series whose data of ``day`` (``raw``, ``minutes`` or ``hours``) have reached their age, sorted."""
    ages = ((name, getattr(each, what)) for name, each in keep.items())
    return sorted(name for name, age in ages if age is not None and day + 1 + age <= today)


def digest(names: list[str]) -> str:
    """A short name for a set of series; NOTHING for none."""
    return blake2b("\n".join(names).encode(), digest_size=6).hexdigest() if names else NOTHING


def retain(
    table: LakeTable, rollups: Rollups, ledger: Callable[[], Ledger], now: datetime, keep: Keep
) -> Iterator[str]:
    """Take out what is too old; a line for each file group. Killed anywhere, it begins again."""
    if not keep or table.current() is None:
        return
    today = micros(now) // DAY
    try:
        yield from _retain_raw(table, rollups, ledger, now, keep)
        if rollups.table.current() is not None:
            for file in rollups.files():
                names = past(keep, "minutes" if file.width == MINUTE else "hours", max(file.days), today)
                if digest(names) != file.rid_of:
                    yield from _trim(rollups, file, names)
    except StoreConflictError:
        yield "retention: another tidy was first; left as it is"


def _retain_raw(
    table: LakeTable, rollups: Rollups, ledger: Callable[[], Ledger], now: datetime, keep: Keep
) -> Iterator[str]:
    today = micros(now) // DAY
    for day, number in [(day, day_number(day)) for day in live_files(table, table.fork())]:
        names = past(keep, "raw", number, today)
        if not names or not is_over(day, now):
            continue
        delta = table.fork()
        known = ledger()  # after the files: a day that got rows since then is stale, and waits
        files = live_files(table, delta).get(day, [])
        stand = all(number in standing(rollups.files(), w, known.version, known.last_touch) for w in (MINUTE, HOUR))
        if all(file.rid_of == digest(names) for file in files) or not (stand or _frozen(known, names, number)):
            continue
        gone = _drop(table, delta, files, known, names, number)
        yield f"{day}: {gone} raw rows of {len(names)} series were past their age"


def _frozen(known: Ledger, names: list[str], day: int) -> bool:
    """Whether all raw rows of that day that would go are of series whose rollups are final already."""
    return all(known.expired.get(name, day) > day for name in names)


def _drop(table: LakeTable, delta: DeltaTable, files: list[DataFile], known: Ledger, names: list[str], day: int) -> int:
    partition, dropped = {"day": day_of(day).isoformat()}, pa.array(names, type=pa.string())
    adds: list[AddAction] = []
    gone = Sum()
    with engine_errors(f"cannot apply retention to day {day_of(day)} of lake {table.uri}"):
        for found in slices(table.filesystem(delta), files):
            goes = pc.is_in(found["series"], value_set=dropped)
            rows = found.filter(pc.invert(goes))
            gone += sum_of(found.filter(goes))
            if len(rows):
                path = f"day={day_of(day)}/sealed-{digest(names)}-{uuid.uuid4()}.parquet"
                adds.append(write_file(table, delta, path, rows, partition, row_group=ROW_GROUP))
    removes = [removal(file.path, file.size, partition, changes=True) for file in files]
    new = [name for name in names if known.expired.get(name, day) <= day and name in known.spans]
    mark = {"gone": [day, gone.rows, gone.hashes], "expired": pack(new)}
    table.commit(delta, [*adds, *removes], mark, Transaction(TIDY, delta.version() + 1))
    return gone.rows


def _trim(rollups: Rollups, file: RollupFile, names: list[str]) -> Iterator[str]:
    table = rollups.table
    delta = table.fork()
    if all(each.path != file.path for each in files_of(table, delta)):
        return  # another tidy did it since
    rows = rollups.old_rows(delta, file)
    left = rows.filter(pc.invert(pc.is_in(rows["series"], value_set=pa.array(names, type=pa.string()))))
    adds = []
    if len(left):
        adds.append(rollups.add(delta, left, file.width, file.days, file.built, rid_of=digest(names)))
    table.commit(delta, [*adds, rollups.remove(file)], {"retained": True}, Transaction(TIDY, delta.version() + 1))
    if len(left) < len(rows):
        yield f"rollups of {file.width} s from {day_of(min(file.days))} on: {len(rows) - len(left)} were past their age"
