"""Samples of one skid as flat arrays, and their figures on a grid of UTC minutes.

Everything here works on all instruments at once: rows are sorted by (tag, time), and a cell is one
minute of one tag. A cell's figures follow from its own rows alone, so they do not depend on how the
minutes are cut into blocks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.frame import F64, I64, Mask
from skidhand.clock import MINUTE_US
from skidhand.model.quality import UNCERTAIN, bad_mask
from skidhand.model.samples import series_id

AWAY: Final = 5  # minutes between a sample's stamp and its receipt that no link and no drift explain: common practice
AGREED: Final = 0.9  # of a minute's samples that must be as far away
FIGURES: Final = ("value", "low", "high", "std", "last")


@dataclass(frozen=True, slots=True)
class Rows:
    """Samples sorted by (tag, time). ``tag`` counts in the list of tags that was asked for.

    ``minute`` and ``heard`` are minutes since the Unix epoch of source and receive time. ``value`` is NaN
    where ``bad``, in the instrument's declared unit.
    """

    tag: I64
    minute: I64
    heard: I64
    value: F64
    bad: Mask
    uncertain: Mask

    def __len__(self) -> int:
        return len(self.tag)

    def take(self, chosen: Mask) -> Rows:
        """The rows where ``chosen``."""
        return Rows(*(getattr(self, name)[chosen] for name in self.__slots__))


def rows_of(samples: pa.Table, skid: str, tags: Sequence[str]) -> Rows:
    """Rows of a samples table for ``tags`` of ``skid``; other series are left out."""
    coded: Any = samples["series"].dictionary_encode().unify_dictionaries().combine_chunks()
    if isinstance(coded, pa.ChunkedArray):  # an empty column stays chunked
        coded = coded.chunk(0) if coded.num_chunks else pa.array([], pa.string()).dictionary_encode()
    wanted = pa.array([series_id(skid, tag) for tag in tags], type=pa.string())
    place = pc.fill_null(pc.index_in(coded.dictionary, wanted), -1).to_numpy(zero_copy_only=False).astype(np.int64)
    tag = place[coded.indices.to_numpy()] if len(coded) else np.empty(0, np.int64)
    time, quality, received = (samples[name].cast(pa.int64()).to_numpy() for name in ("time", "quality", "received"))
    value = samples["value"].to_numpy().astype(np.float64, copy=False)
    bad = bad_mask(quality) | ~np.isfinite(value)
    rows = Rows(
        tag=tag,
        minute=time // MINUTE_US,
        heard=received // MINUTE_US,
        value=np.where(bad, np.nan, value),
        bad=bad,
        uncertain=np.asarray(quality >= UNCERTAIN),
    )
    if (tag < 0).any():
        rows, time = rows.take(tag >= 0), time[tag >= 0]
    step = np.diff(rows.tag)
    if (step < 0).any() or ((step == 0) & (np.diff(time) < 0)).any():
        order = np.lexsort((time, rows.tag))
        rows = Rows(*(getattr(rows, name)[order] for name in Rows.__slots__))
    return rows


def lag_of(rows: Rows, start: int, minutes: int) -> F64:
    """Minutes by which the samples of each minute were received after their stamp: their mean where nearly all are AWAY
    to the same side, 0 where they are not, NaN where there is none. Below zero: stamped ahead of time.
    """
    at, late = rows.minute - start, (rows.heard - rows.minute).astype(np.float64)
    if not (np.abs(late) >= AWAY).any():
        return np.where(np.bincount(at, minlength=minutes) > 0, 0.0, np.nan)
    count, whole = np.bincount(at, minlength=minutes), np.bincount(at, weights=late, minlength=minutes)
    behind, ahead = (np.bincount(at, weights=side, minlength=minutes) for side in (late >= AWAY, late <= -AWAY))
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = whole / count
    agreed = np.maximum(behind, ahead) >= AGREED * np.maximum(count, 1)
    return np.where(count > 0, np.where(agreed, mean, 0.0), np.nan)


@dataclass(frozen=True, slots=True)
class Cells:
    """Figures of every cell, arrays of shape (tags, minutes); NaN where ``count`` is 0."""

    count: I64
    value: F64
    low: F64
    high: F64
    std: F64
    last: F64

    @property
    def shape(self) -> tuple[int, int]:
        """(tags, minutes)."""
        tags, minutes = self.count.shape
        return tags, minutes

    def fill_from(self, other: Cells) -> Cells:
        """These figures, and those of ``other`` in the cells that have none here."""
        empty = self.count == 0
        return Cells(self.count, *(np.where(empty, getattr(other, name), getattr(self, name)) for name in FIGURES))


def cells_of(tag: I64, minute: I64, value: F64, shape: tuple[int, int]) -> Cells:
    """Figures of values that are sorted by (tag, time); ``minute`` counts from the grid's first."""
    size = shape[0] * shape[1]
    key = tag * shape[1] + minute
    count = np.bincount(key, minlength=size)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.bincount(key, weights=value, minlength=size) / count
        std = np.sqrt(np.bincount(key, weights=(value - mean[key]) ** 2, minlength=size) / count)
    low, high, last = (np.full(size, np.nan) for _ in range(3))
    if len(key):
        edge = np.flatnonzero(np.append(True, key[1:] != key[:-1]))
        filled = key[edge]
        low[filled] = np.minimum.reduceat(value, edge)
        high[filled] = np.maximum.reduceat(value, edge)
        last[filled] = value[np.append(edge[1:], len(key)) - 1]
        # A mean of equal values may differ from them in the last digit; a constant must stay one.
        mean = np.clip(mean, low, high)
    return Cells(count.reshape(shape), *(a.reshape(shape) for a in (mean, low, high, std, last)))


def any_in_cell(tag: I64, minute: I64, shape: tuple[int, int]) -> Mask:
    """True in each cell that has at least one of the rows."""
    found = np.zeros(shape, dtype=np.bool_)
    found[tag, minute] = True
    return found


def last_index(where: Mask) -> I64:
    """For each minute (last axis) the index of the latest True at or before it; -1 where there is none."""
    index = np.where(where, np.arange(where.shape[-1]), -1)
    return np.asarray(np.maximum.accumulate(index, axis=-1), dtype=np.int64)
