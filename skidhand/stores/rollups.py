"""Rollups: per series and cell (a minute or an hour) the statistics for both policies that people read by.

One row holds what ``buckets.cells`` gives for Good (``good_*``) and for Good and Uncertain (``usable_*``). Where
both took the same samples, which is nearly always, ``usable_*`` is null and ``good_*`` stands for both.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from skidhand.model.samples import TIMESTAMP
from skidhand.stores.base import Policy
from skidhand.stores.buckets import BUCKETS, FIGURES, cells, codes
from skidhand.stores.rows import micros_of, policy_mask

ROLLED: Final[tuple[Policy, ...]] = ("good", "usable")
"""The policies that rollups answer; ``all`` is answered from raw samples."""

_STATISTICS: Final = ("count", *FIGURES)


def _columns(policy: Policy) -> list[pa.Field[Any]]:
    return [pa.field(f"{policy}_{n}", pa.int64() if n == "count" else pa.float64()) for n in _STATISTICS]


_FIELDS: Final[list[pa.Field[Any]]] = [
    pa.field("series", pa.string(), nullable=False),
    pa.field("start", TIMESTAMP, nullable=False),
    pa.field("samples", pa.int64(), nullable=False),  # of every quality; good_count / samples is the good share
    *_columns("good"),
    *_columns("usable"),
]
ROLLUPS: Final = pa.schema(_FIELDS)
"""A rollup's columns. ``good_count`` is 0 where only the policy ``usable``, or none, takes a sample."""


def roll_up(samples: pa.Table, cell: int) -> pa.Table:
    """ROLLUPS of deduplicated samples of every policy, sorted by (series, time); ``cell`` is 60 or 3600 s."""
    every = cells(samples, cell, "all")
    quality = micros_of(samples["quality"])
    placed = {
        # Nearly always every sample is Good, and then this halves the time of rolling up.
        policy: every if policy_mask(quality, policy).all() else _placed(cells(samples, cell, policy), every)
        for policy in ROLLED
    }
    counts = {policy: part["count"].fill_null(pa.scalar(0)) for policy, part in placed.items()}
    same = pc.equal(counts["usable"], counts["good"])
    columns: list[Any] = [every["series"], every["start"], every["count"], counts["good"]]
    columns += [placed["good"][name] for name in FIGURES]
    for name in _STATISTICS:
        usable = placed["usable"][name]
        columns.append(pc.if_else(same, pa.scalar(None, usable.type), usable))
    return pa.table(columns, schema=ROLLUPS)


def columns_for(policy: Policy) -> list[str]:
    """The columns that :func:`buckets_from` needs."""
    sides: Sequence[Policy] = ("good",) if policy == "good" else ROLLED
    return ["series", "start", *(f"{side}_{name}" for side in sides for name in _STATISTICS)]


def buckets_from(rollups: pa.Table, policy: Policy) -> pa.Table:
    """BUCKETS of one policy from rows with its ``columns_for``; cells of which it takes nothing are left out."""
    statistics = {name: rollups[f"good_{name}"] for name in _STATISTICS}
    if policy == "usable" and rollups["usable_count"].null_count < len(rollups):
        own = rollups["usable_count"].is_valid()
        statistics = {name: pc.if_else(own, rollups[f"usable_{name}"], statistics[name]) for name in _STATISTICS}
    table = pa.table([rollups["series"], rollups["start"], *statistics.values()], names=BUCKETS.names)
    return table.filter(pc.greater(table["count"], pa.scalar(0))).cast(BUCKETS)


def _placed(part: pa.Table, every: pa.Table) -> pa.Table:
    """The rows of ``part`` at their places among the cells of ``every``, null where it has none."""
    if len(part) == len(every):
        return part
    keys = _keys(pa.concat_tables([part.select(["series", "start"]), every.select(["series", "start"])]))
    mine, all_ = keys[: len(part)], keys[len(part) :]
    order = np.argsort(all_, kind="stable")
    place = order[np.searchsorted(all_, mine, sorter=order)]
    index = np.full(len(every), -1, dtype=np.int64)
    index[place] = np.arange(len(part))
    return part.take(pa.array(index, type=pa.int64(), mask=index < 0))


def _keys(cells_: pa.Table) -> npt.NDArray[np.int64]:
    code, names = codes(cells_["series"])
    start = micros_of(cells_["start"]) // 1_000_000
    start -= start.min()
    keys: npt.NDArray[np.int64] = start * len(names) + code
    return keys
