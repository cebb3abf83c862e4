"""The data files of one version of a lake, and which of them can hold the answer, by the log's statistics alone."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from skidhand.model.samples import EPOCH, TIMESTAMP
from skidhand.stores.buckets import DAY
from skidhand.stores.rows import micros_of

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Files:
    """The data files of one version, and between which source times (µs) and series each one's rows lie.

    ``low`` and ``high`` are None where the log does not say.
    """

    paths: Sequence[str]
    sizes: Ints
    first_us: Ints
    last_us: Ints
    low: Sequence[str | None]
    high: Sequence[str | None]

    @classmethod
    def of(cls, actions: pa.Table) -> Files:
        """From a Delta table's add actions; a file without statistics may hold any time and any series."""

        def column(name: str) -> pa.ChunkedArray[Any]:
            known = name in actions.column_names
            return actions[name] if known else pa.chunked_array([pa.nulls(len(actions))])

        sizes = actions["size_bytes"].to_numpy()
        bounds = []
        for name, unknown in (("min.time", -(2**62)), ("max.time", 2**62)):
            bounds.append(micros_of(pc.fill_null(column(name).cast(TIMESTAMP), pa.scalar(unknown, TIMESTAMP))))  # type: ignore[arg-type]
        paths = [str(path) for path in actions["path"].to_pylist()]
        low, high = (column(name).to_pylist() for name in ("min.series", "max.series"))
        # An engine may cut statistics to milliseconds: the true last may be later.
        return cls(paths, sizes, bounds[0], bounds[1] + 999, low, high)

    @classmethod
    def of_days(cls, sizes: Mapping[str, int]) -> Files:
        """From paths and bytes alone; the times are those of the day in the path."""
        first = np.array([_day_in(path) for path in sizes], dtype=np.int64) * DAY
        unknown = [None] * len(sizes)
        bytes_ = np.array(list(sizes.values()), dtype=np.int64)
        return cls(list(sizes), bytes_, first, first + DAY - 1, unknown, unknown)

    def within(self, series: Sequence[str], start_us: int, end_us: int) -> list[int]:
        """Places of the files that may hold rows of ``series`` (sorted) with start ≤ time < end, in order of time."""
        hits = np.flatnonzero((self.first_us < end_us) & (self.last_us >= start_us))
        ordered: list[int] = hits[np.argsort(self.first_us[hits], kind="stable")].tolist()
        return [i for i in ordered if any_between(series, self.low[i], self.high[i])]

    def single(self, hits: Sequence[int]) -> bool:
        """Whether each of these files is merged and none reaches into the time of another: no row is there twice."""
        apart = (self.last_us[hits[:-1]] < self.first_us[hits[1:]]).all()
        return bool(apart) and all(self.paths[i].rpartition("/")[2].startswith(("sealed-", "settled-")) for i in hits)


def any_between(series: Sequence[str], low: str | None, high: str | None) -> bool:
    """Whether one of ``series`` (sorted) lies between two bounds, both included; None is no bound.

    Python orders texts by code point, which is the order of their UTF-8 bytes, in which the bounds were found.
    """
    at = 0 if low is None else bisect_left(series, low)
    return at < len(series) and (high is None or series[at] <= high)


def _day_in(path: str) -> int:
    return (date.fromisoformat(path.partition("/")[0].removeprefix("day=")) - EPOCH.date()).days
