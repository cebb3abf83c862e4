"""Bucket statistics from raw samples; the one definition that stores, rollups and tests agree on."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
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

FIGURES: Final = ("min", "max", "first", "last", "sum", "integral", "covered")
"""The columns of BUCKETS that are figures of values."""

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
    days = (bucketize(read(a, b), width, policy) for a, b in days_between(first, last))
    return pa.concat_tables([BUCKETS.empty_table(), *days]).sort_by([("series", "ascending"), ("start", "ascending")])


def bucketize(samples: pa.Table, width: int, policy: Policy) -> pa.Table:
    """BUCKETS of deduplicated samples of every policy that are sorted by (series, time).

    ``width`` is one of WIDTHS. A sample without a value counts, and bears on nothing else. Wider buckets are
    put together from cells, as those of rollups are, so that both ways give the same bits.
    """
    return combine(cells(samples, cell_of(width), policy), width)


def cell_of(width: int) -> int:
    """Seconds of the cells that a bucket of ``width`` is made of: the minute below one hour, else the hour."""
    return 60 if width < 3600 else 3600


def cells(samples: pa.Table, cell: int, policy: Policy) -> pa.Table:
    """BUCKETS of ``cell`` seconds straight from samples as :func:`bucketize` takes them."""
    time, (code, names) = micros_of(samples["time"]), codes(samples["series"])
    value: Floats = samples["value"].cast(pa.float64()).to_numpy()  # null becomes NaN
    held = _held(time, code, cell * SECOND)
    taken = policy_mask(micros_of(samples["quality"]), policy)
    if not taken.any():
        return BUCKETS.empty_table()
    time, code, value, held = time[taken], code[taken], value[taken], held[taken]
    slot = time // (cell * SECOND)
    at = _opens(code, slot)
    known = ~np.isnan(value)
    filled = np.where(known, value, 0.0)
    statistics = {
        **_picked(at, value, value, value, value),
        "sum": _add(filled, at),
        "integral": _add(filled * held, at),
        "covered": np.add.reduceat(np.where(known, held, 0.0), at),
    }
    count = np.diff(np.append(at, len(time)))
    return _table(names.take(pa.array(code[at], type=pa.int64())), slot[at] * cell * SECOND, count, statistics)


def combine(parts: pa.Table, width: int) -> pa.Table:
    """BUCKETS of ``width`` from BUCKETS of its cells, which are sorted by (series, start)."""
    if len(parts) == 0:
        return BUCKETS.empty_table()
    code, names = codes(parts["series"])
    slot = micros_of(parts["start"]) // (width * SECOND)
    at = _opens(code, slot)
    old: dict[str, Floats] = {name: parts[name].to_numpy() for name in FIGURES}
    statistics = {
        **_picked(at, *(old[name] for name in ("min", "max", "first", "last"))),
        "sum": _add(np.where(np.isnan(old["min"]), 0.0, old["sum"]), at),
        "integral": _add(old["integral"], at),
        "covered": np.add.reduceat(old["covered"], at),
    }
    count = np.add.reduceat(micros_of(parts["count"]), at)
    return _table(names.take(pa.array(code[at], type=pa.int64())), slot[at] * width * SECOND, count, statistics)


def codes(names: pa.ChunkedArray[Any]) -> tuple[Ints, pa.Array[Any]]:
    """A column of texts as numbers, equal for equal texts, and the texts by number."""
    encoded = names.combine_chunks().dictionary_encode()
    if isinstance(encoded, pa.ChunkedArray):
        encoded = encoded.unify_dictionaries().combine_chunks()
    return encoded.indices.to_numpy().astype(np.int64), encoded.dictionary


def _table(series: pa.Array[Any], start: Ints, count: Ints, statistics: Mapping[str, Floats]) -> pa.Table:
    nulls = np.isnan(statistics["min"])  # buckets in which no sample has a value
    columns: list[Any] = [series, pa.array(start, type=TIMESTAMP), pa.array(count, type=pa.int64())]
    for name in FIGURES:
        mask = None if name in ("integral", "covered") else nulls
        columns.append(pa.array(statistics[name], mask=mask))
    return pa.table(columns, schema=BUCKETS)


def _opens(code: Ints, slot: Ints) -> Ints:
    """Where, in rows sorted by (code, slot), each new pair begins."""
    opens: Ints = np.flatnonzero(np.append(True, (code[1:] != code[:-1]) | (slot[1:] != slot[:-1])))
    return opens


def _held(time: Ints, code: Ints, cell: int) -> Floats:
    """Seconds for which each sample's value stands: to the next sample, HOLD or the cell's end."""
    until = np.minimum(time + HOLD, (time // cell + 1) * cell)
    follows = code[1:] == code[:-1]
    until[:-1][follows] = np.minimum(until[:-1], time[1:])[follows]
    seconds: Floats = (until - time) / SECOND
    return seconds


def _picked(at: Ints, low: Floats, high: Floats, first: Floats, last: Floats) -> dict[str, Floats]:
    """Least, greatest, first and last per group that opens at the indices ``at``; NaN means no value."""
    known, index = ~np.isnan(low), np.arange(len(low))
    one = np.minimum.reduceat(np.where(known, index, len(low)), at)
    end = np.maximum.reduceat(np.where(known, index, -1), at)
    return {
        "min": np.fmin.reduceat(low, at),
        "max": np.fmax.reduceat(high, at),
        "first": np.append(first, np.nan)[one],  # index len(low) and index -1 are both "none"
        "last": np.append(last, np.nan)[end],
    }


def _add(values: Floats, at: Ints) -> Floats:
    with np.errstate(over="ignore", invalid="ignore"):  # infinite samples have infinite sums
        total: Floats = np.add.reduceat(values, at)
    return total


def days_between(first: int, last: int) -> Iterator[tuple[int, int]]:
    """[first, last) in microseconds cut at each midnight UTC."""
    while first < last:
        end = min(last, (first // DAY + 1) * DAY)
        yield first, end
        first = end
