"""The order among duplicates of one key, and the quality policies, as every store applies them.

A store's row is a sample (``skidhand.model.samples.SAMPLES``) plus the batch that brought it. Rows of one
batch stand in the batch's own order; :func:`batch_rows` drops those that a later row of the same batch
replaces, so that (received, writer, batch) is enough to decide between any two rows in a store.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from skidhand.model.quality import bad_mask, good_mask
from skidhand.model.samples import SAMPLES
from skidhand.stores.base import Batch, Policy, Span

ROWS: Final = pa.schema(
    [*SAMPLES, pa.field("writer", pa.string(), nullable=False), pa.field("batch", pa.int64(), nullable=False)]
)
"""What a store keeps of each sample."""


def batch_rows(batch: Batch) -> pa.Table:
    """The batch as ROWS: one row per key (the later in (received, row) wins), sorted by (series, time)."""
    samples = batch.samples.select(SAMPLES.names).cast(SAMPLES)
    writer = pa.repeat(pa.scalar(batch.writer), len(samples))
    number = pa.repeat(pa.scalar(batch.number, pa.int64()), len(samples))
    return latest_wins(pa.table([*samples.columns, writer, number], schema=ROWS))


def latest_wins(rows: pa.Table) -> pa.Table:
    """One row per (series, time), the last in (received, writer, batch, position); sorted by the key."""
    if len(rows) == 0:
        return rows
    series, time = _ranks(rows["series"]), micros_of(rows["time"])
    if _strictly_rising(series, time):  # as a sealed file lies: nothing to do
        return rows
    order = np.lexsort((time, series))
    if _same_key_as_next(series[order], time[order]).any():
        # Rare, so the three more keys are only sorted by when there is something to decide.
        age = (micros_of(rows["batch"]), _ranks(rows["writer"]), micros_of(rows["received"]))
        order = np.lexsort((*age, time, series))
        order = order[~_same_key_as_next(series[order], time[order])]
    return rows.take(pa.array(order, type=pa.int64()))


def policy_mask(quality: npt.NDArray[np.int64], policy: Policy) -> npt.NDArray[np.bool_]:
    """Which samples ``policy`` takes, from their StatusCodes; ValueError for an unknown policy."""
    if policy == "good":
        return good_mask(quality)
    if policy == "usable":
        return ~bad_mask(quality)
    if policy == "all":
        return np.ones(len(quality), dtype=np.bool_)
    raise ValueError(f"unknown policy {policy!r}; valid: good, usable, all")


def samples_of(rows: pa.Table, policy: Policy) -> pa.Table:
    """What a reader gets of stored ROWS: deduplicated first (a later Bad row wins too), then the policy.

    Of rows that are SAMPLES already each key stands there once, in order.
    """
    samples = (rows if rows.column_names == SAMPLES.names else latest_wins(rows)).select(SAMPLES.names)
    if policy != "all":
        samples = samples.filter(pa.array(policy_mask(micros_of(samples["quality"]), policy)))
    return samples.combine_chunks()


def last_of_each(samples: pa.Table) -> pa.Table:
    """The last row of each series of a table that is sorted by (series, time)."""
    if len(samples) == 0:
        return samples
    series = _ranks(samples["series"])
    return samples.filter(pa.array(np.append(series[1:] != series[:-1], True)))


def in_span(rows: pa.Table, series: pa.StringArray, start_us: int, end_us: int) -> pa.Table:
    """The rows of ``series`` with start ≤ time < end."""
    # On plain arrays: pyarrow's expression filter costs some 0.1 ms for each chunk of the table.
    rows = rows.combine_chunks()
    if len(rows) == 0:
        return rows
    time = micros_of(rows["time"])
    within = pa.array((time >= start_us) & (time < end_us))
    return rows.filter(pc.and_(within, pc.is_in(rows["series"], value_set=series)))


def spans_of(rows: pa.Table) -> dict[str, Span]:
    """First and last source time per series; ``rows`` are sorted by (series, time)."""
    if len(rows) == 0:
        return {}
    # Not by Arrow's group_by: it loads the engine for datasets, which an ingest worker does without.
    series, time = _ranks(rows["series"]), micros_of(rows["time"])
    starts = np.flatnonzero(np.append(True, series[1:] != series[:-1]))
    firsts, lasts = time[starts].tolist(), time[np.append(starts[1:], len(rows)) - 1].tolist()
    names: list[str] = rows["series"].take(pa.array(starts, type=pa.int64())).to_pylist()  # type: ignore[assignment]
    return {name: Span(a, b) for name, a, b in zip(names, firsts, lasts, strict=True)}


def merge_spans(into: dict[str, Span], spans: Iterable[tuple[str, Span]]) -> None:
    """Widen the spans in ``into`` so that they hold ``spans`` too."""
    for name, span in spans:
        old = into.get(name, span)
        into[name] = Span(min(old.first_us, span.first_us), max(old.last_us, span.last_us))


def micros_of(column: pa.ChunkedArray[Any]) -> npt.NDArray[np.int64]:
    """A column of times (as microseconds since the epoch) or integers, none null, as int64."""
    values: npt.NDArray[np.int64] = column.cast(pa.int64()).to_numpy()
    return values


def _ranks(column: pa.ChunkedArray[Any]) -> npt.NDArray[np.int64]:
    """For each text its place in the sorted order of all texts; cheap when few texts repeat often."""
    if len(column) and pc.all(pc.equal(column, column[0])).as_py():  # one series: a third of a long read's time
        return np.zeros(len(column), dtype=np.int64)
    encoded = column.combine_chunks().dictionary_encode()
    if isinstance(encoded, pa.ChunkedArray):
        encoded = encoded.unify_dictionaries().combine_chunks()
    rank = np.empty(len(encoded.dictionary), dtype=np.int64)
    rank[pc.array_sort_indices(encoded.dictionary).to_numpy()] = np.arange(len(rank))
    ranks: npt.NDArray[np.int64] = rank[encoded.indices.to_numpy()]
    return ranks


def _strictly_rising(series: npt.NDArray[np.int64], time: npt.NDArray[np.int64]) -> bool:
    follows = series[1:] == series[:-1]
    return bool(np.where(follows, time[1:] > time[:-1], series[1:] > series[:-1]).all())


def _same_key_as_next(series: npt.NDArray[np.int64], time: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    same = (series[1:] == series[:-1]) & (time[1:] == time[:-1])
    return np.append(same, False)
