"""Building a lake's rollups: the days that are over and have none that stand, a month in each commit."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from datetime import date, datetime
from itertools import groupby
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc
from deltalake import DeltaTable, Transaction
from deltalake.transaction import AddAction, RemoveAction

from skidhand.errors import StoreConflictError
from skidhand.stores.buckets import DAY
from skidhand.stores.lake_ledger import Ledger
from skidhand.stores.lake_rollup import HOUR, MINUTE, RollupFile, Rollups, day_number, day_of, files_of, standing
from skidhand.stores.lake_table import LakeTable, engine_errors
from skidhand.stores.lake_tidy import TIDY, DataFile, is_over, live_files, slices
from skidhand.stores.rollups import ROLLUPS, roll_up
from skidhand.stores.rows import latest_wins, micros_of

_WIDTHS: Final = (MINUTE, HOUR)


def roll_days(table: LakeTable, rollups: Rollups, ledger: Callable[[], Ledger], now: datetime) -> Iterator[str]:
    """Roll up what needs it; a line for each month that was touched. Killed anywhere, it begins again."""
    if table.current() is None:
        return
    known = ledger()  # before the files: rows that come in between make the day stale again
    delta = table.fork()
    live = {day_number(day): files for day, files in live_files(table, delta).items() if is_over(day, now)}
    standing_ = [standing(rollups.files(), width, known.version, known.last_touch) for width in _WIDTHS]
    wanting = sorted(day for day in live if not all(day in stands for stands in standing_))
    for month, days in groupby(wanting, lambda number: day_of(number).replace(day=1)):
        build = _Month(table, delta, rollups, known, month)
        try:
            yield build.commit({day: live[day] for day in days})
        except StoreConflictError:
            yield f"rollups {month:%Y-%m}: another tidy was first; left as it is"
            return


class _Month:
    """One month's rollups, to be built from one version of the samples."""

    def __init__(self, table: LakeTable, delta: DeltaTable, rollups: Rollups, known: Ledger, month: date) -> None:
        self._table, self._delta, self._rollups, self._known = table, delta, rollups, known
        rollups.table.ensure()
        self._target = rollups.table.fork()
        old = files_of(rollups.table, self._target)
        self._old = [file for file in old if day_of(min(file.days)).replace(day=1) == month]
        self._month = month

    def commit(self, days: dict[int, list[DataFile]]) -> str:
        """Build ``days`` anew from their files and commit; the line that tells it."""
        adds: list[AddAction] = []
        hours: list[pa.Table] = []
        with engine_errors(f"cannot roll up {self._month:%Y-%m} of lake {self._table.uri}"):
            for day, files in days.items():
                minutes, own = self._built(day, files)
                hours += own
                if any(map(len, minutes)):
                    adds.append(self._add(minutes, MINUTE, [day]))
            covered = set(days)
            for file in (file for file in self._old if file.width == HOUR):
                kept = {day for day in file.days - days.keys() if self._known.last_touch(day) <= file.built}
                hours.append(_days_of(self._rows(file), kept))
                covered |= kept
            if any(map(len, hours)):
                adds.append(self._add(hours, HOUR, covered))
        removes = [self._rollups.remove(file) for file in self._old if file.width == HOUR or file.days <= days.keys()]
        self._finish(adds, removes)
        return f"rollups {self._month:%Y-%m}: {len(days)} days rolled up"

    def _built(self, day: int, files: list[DataFile]) -> tuple[list[pa.Table], list[pa.Table]]:
        """The day's minutes and hours; what raw rows no longer tell is taken from the old rollups."""
        gone = pa.array([s for s, until in self._known.expired.items() if until > day], type=pa.string())
        minutes, hours = [], []
        for found in slices(self._table.filesystem(self._delta), files):
            rows = latest_wins(found)
            rows = rows.filter(pc.invert(pc.is_in(rows["series"], value_set=gone)))
            minutes.append(roll_up(rows, MINUTE))
            hours.append(roll_up(rows, HOUR))
        for file in self._old if len(gone) else ():
            if day in file.days:
                rows = _days_of(self._rows(file), [day])
                frozen = rows.filter(pc.is_in(rows["series"], value_set=gone))
                (minutes if file.width == MINUTE else hours).append(frozen)
        return minutes, hours

    def _rows(self, file: RollupFile) -> pa.Table:
        return self._rollups.old_rows(self._target, file)

    def _add(self, parts: list[pa.Table], width: int, days: Iterable[int]) -> AddAction:
        rows = pa.concat_tables([ROLLUPS.empty_table(), *parts])
        return self._rollups.add(self._target, rows, width, days, self._known.version)

    def _finish(self, adds: list[AddAction], removes: list[RemoveAction]) -> None:
        actions: list[Any] = [*adds, *removes]
        mark = {"rollups": f"{self._month:%Y-%m}"}
        self._rollups.table.commit(self._target, actions, mark, Transaction(TIDY, self._target.version() + 1))


def _days_of(rows: pa.Table, days: Iterable[int]) -> pa.Table:
    """The rows of these days."""
    wanted = pa.array(sorted(days), type=pa.int64())
    return rows.filter(pc.is_in(pa.array(micros_of(rows["start"]) // DAY), value_set=wanted))
