"""Which days of a read at a resolution rollups answer, and which raw samples."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

import pyarrow as pa

from skidhand.stores.buckets import BUCKETS, DAY, SECOND, combine
from skidhand.stores.lake_ledger import Ledger
from skidhand.stores.lake_live import Files
from skidhand.stores.lake_rollup import RollupFile, standing

Cells = Callable[[Sequence[str], int, int], pa.Table]
"""(series, start µs, end µs) → BUCKETS of the cell's width, sorted by (series, start)."""


@dataclass(frozen=True, slots=True)
class Plan:
    """For some series: the days whose rollups stand, and what is left of raw samples elsewhere."""

    series: Sequence[str]
    stands: Mapping[int, RollupFile]
    covers: Mapping[int, RollupFile]  # also where they are stale
    rows: tuple[int, int]  # no row and no rollup lies outside of this span, microseconds
    expired: Mapping[str, int]  # series → day before which only rollups are left

    def files(self, start_us: int, end_us: int) -> list[RollupFile]:
        """The files that cover days of [start, end)."""
        days = range(start_us // DAY, -(-end_us // DAY))
        return list({file.path: file for day in days if (file := self.covers.get(day))}.values())

    def buckets(self, start_us: int, end_us: int, width: int, *, raw: Cells, rolled: Cells) -> pa.Table:
        """BUCKETS of ``width`` over [start, end) snapped outwards, sorted by (series, start).

        Days that stand are read in one go. Others are read one by one, so that memory holds one day of
        samples; no bucket and no cell spans midnight UTC.
        """
        step = width * SECOND
        first, last = max(start_us, self.rows[0]) // step * step, -(-min(end_us, self.rows[1]) // step) * step
        parts = [BUCKETS.empty_table()]
        if start_us < end_us and first < last:
            days = range(first // DAY, -(-last // DAY))
            for stands, run in groupby(days, lambda day: day in self.stands):
                numbers = list(run)
                spans = [(numbers[0], numbers[-1])] if stands else [(day, day) for day in numbers]
                for a, b in spans:
                    span = max(first, a * DAY), min(last, (b + 1) * DAY)
                    found = [rolled(self.series, *span)] if stands else self._of_a_day(a, span, raw, rolled)
                    parts += (combine(part, width) for part in found if len(part))
        return pa.concat_tables(parts).sort_by([("series", "ascending"), ("start", "ascending")])

    def _of_a_day(self, day: int, span: tuple[int, int], raw: Cells, rolled: Cells) -> Iterable[pa.Table]:
        """Raw cells; of series whose raw samples of that day are gone, the rollup even when it is stale."""
        kept = [name for name in self.series if self.expired.get(name, day) <= day]
        gone = [name for name in self.series if self.expired.get(name, day) > day]
        if kept:
            yield raw(kept, *span)
        if gone and day in self.covers:
            yield rolled(gone, *span)


def plan_days(
    rollups: Iterable[RollupFile], known: Ledger, version: int, files: Files, series: Sequence[str], cell: int
) -> Plan:
    """The plan for the samples in ``files`` at ``version`` of the table, whose ledger is ``known``."""
    mine = [file for file in rollups if file.width == cell]
    covers = {day: file for file in mine for day in file.days}
    starts = [*files.first_us.tolist(), *(day * DAY for day in covers)]
    ends = [*(files.last_us + 1).tolist(), *((day + 1) * DAY for day in covers)]
    rows = (min(starts, default=0), max(ends, default=0))
    expired = {name: known.expired[name] for name in series if name in known.expired}
    return Plan(series, standing(mine, cell, version, known.last_touch), covers, rows, expired)
