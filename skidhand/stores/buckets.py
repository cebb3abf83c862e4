"""Bucket statistics from raw samples; the one definition that stores, rollups and tests agree on."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from skidhand.model.samples import TIMESTAMP, micros
from skidhand.stores.base import WIDTHS, Policy
from skidhand.stores.rows import micros_of, policy_mask

SECOND: Final = 1_000_000
DAY: Final = 86_400 * SECOND
HOLD: Final = 600 * SECOND
"""How long a value stands without a newer one, microseconds."""

_FIELDS: Final[list[pa.Field[Any]]] = [
    pa.field("series", pa.string(), nullable=False),
    pa.field("start", TIMESTAMP, nullable=False),
    pa.field("count", pa.int64(), nullable=False),
    pa.field("min", pa.float64()),
    pa.field("max", pa.float64()),
    pa.field("first", pa.float64()),
    pa.field("last", pa.float64()),
    pa.field("sum", pa.float64()),
    pa.field("integral", pa.float64(), nullable=False),
    pa.field("covered", pa.float64(), nullable=False),
]
BUCKETS: Final = pa.schema(_FIELDS)
"""BUCKET_COLUMNS with their types."""

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


def snap_width(width: int) -> int:
    """The smallest of WIDTHS that is at least ``width`` seconds; ValueError outside (0, 86400]."""
    if width <= 0 or width > WIDTHS[-1]:
        raise ValueError(f"bucket width {width} s; valid: more than 0 and at most {WIDTHS[-1]} s")
    return next(w for w in WIDTHS if w >= width)


def buckets_by_day(
    read: Callable[[int, int], pa.Table], start: datetime, end: datetime, width: int, policy: Policy
) -> pa.Table:
    """Buckets of [start, end), snapped outwards; ``read(start_us, end_us)`` gives all-policy samples.

    Goes day by day, so that memory holds one day of samples: no bucket and no cell spans midnight UTC.
    """
    width = snap_width(width)
    step = width * SECOND
    first, last = micros(start) // step * step, -(-micros(end) // step) * step
    if micros(start) >= micros(end):
        return BUCKETS.empty_table()
    days = (bucketize(read(a, b), width, policy) for a, b in _days(first, last))
    return pa.concat_tables([BUCKETS.empty_table(), *days]).sort_by([("series", "ascending"), ("start", "ascending")])


def bucketize(samples: pa.Table, width: int, policy: Policy) -> pa.Table:
    """BUCKETS of deduplicated samples of every policy that are sorted by (series, time).

    ``width`` is one of WIDTHS. A sample without a value counts, and bears on nothing else.
    """
    time, series = micros_of(samples["time"]), samples["series"].combine_chunks().dictionary_encode()
    if isinstance(series, pa.ChunkedArray):
        series = series.unify_dictionaries().combine_chunks()
    code = series.indices.to_numpy().astype(np.int64)
    value: Floats = samples["value"].cast(pa.float64()).to_numpy()  # null becomes NaN
    held = _held(time, code, cell=(60 if width < 3600 else 3600) * SECOND)
    taken = policy_mask(micros_of(samples["quality"]), policy)
    if not taken.any():
        return BUCKETS.empty_table()
    time, code, value, held = time[taken], code[taken], value[taken], held[taken]
    slot = time // (width * SECOND)
    opens = np.append(True, (code[1:] != code[:-1]) | (slot[1:] != slot[:-1]))
    at = np.flatnonzero(opens)
    statistics = _statistics(value, held, at)
    nulls = np.isnan(statistics["min"])  # buckets in which no sample has a value
    columns = {
        "series": series.dictionary.take(pa.array(code[at], type=pa.int64())),
        "start": pa.array(slot[at] * width * SECOND, type=TIMESTAMP),
        "count": pa.array(np.diff(np.append(at, len(time))), type=pa.int64()),
    }
    for name in ("min", "max", "first", "last", "sum"):
        columns[name] = pa.array(statistics[name], mask=nulls)
    for name in ("integral", "covered"):
        columns[name] = pa.array(statistics[name])
    return pa.table(columns, schema=BUCKETS)


def _held(time: Ints, code: Ints, cell: int) -> Floats:
    """Seconds for which each sample's value stands: to the next sample, HOLD or the cell's end."""
    until = np.minimum(time + HOLD, (time // cell + 1) * cell)
    follows = code[1:] == code[:-1]
    until[:-1][follows] = np.minimum(until[:-1], time[1:])[follows]
    seconds: Floats = (until - time) / SECOND
    return seconds


def _statistics(value: Floats, held: Floats, at: Ints) -> dict[str, Floats]:
    """Per bucket that opens at the indices ``at``; NaN in ``value`` means no value."""
    known = ~np.isnan(value)
    filled = np.where(known, value, 0.0)
    index = np.arange(len(value))
    first = np.minimum.reduceat(np.where(known, index, len(value)), at)
    last = np.maximum.reduceat(np.where(known, index, -1), at)
    padded = np.append(value, np.nan)  # index len(value) and index -1 are both "none"
    return {
        "min": np.fmin.reduceat(value, at),
        "max": np.fmax.reduceat(value, at),
        "first": padded[first],
        "last": padded[last],
        "sum": np.add.reduceat(filled, at),
        "integral": np.add.reduceat(filled * held, at),
        "covered": np.add.reduceat(np.where(known, held, 0.0), at),
    }


def _days(first: int, last: int) -> Iterator[tuple[int, int]]:
    while first < last:
        end = min(last, (first // DAY + 1) * DAY)
        yield first, end
        first = end
