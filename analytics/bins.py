"""Medians over fixed parts of the clock, for a whole block at once; what a cut splits is carried in a state."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

import numpy as np

from analytics.frame import F64, I64, Mask
from analytics.grid import last_index

Rows = tuple[tuple[float | None, ...], ...]
"""Usable minutes of the part under way: (minute, figure …), None where a figure is unknown."""


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the clock with enough usable minutes: ``first`` of these, its last minute, and medians over them."""

    first: int
    end: int
    middle: tuple[float | None, ...]


def parts(
    rest: Rows, minutes: I64, columns: list[F64], usable: Mask, *, size: int, enough: int, known: int = 1
) -> tuple[Rows, list[Part]]:
    """(rows of the part under way, the parts that end in these minutes).

    Parts are ``size`` minutes and begin at multiples of it. ``columns`` (n,) each, NaN where unknown; a median is over
    the known figures of usable minutes, None where fewer than ``known`` are. A part needs ``enough`` usable minutes.
    """
    table = np.column_stack([minutes[usable].astype(np.float64), *(column[usable] for column in columns)])
    if rest and len(rest[0]) == table.shape[1]:  # with other instruments the part under way begins anew
        table = np.concatenate([np.array(rest, dtype=np.float64), table])
    last = int(minutes[-1]) if len(minutes) else 0
    whole = (last + 1) // size  # parts below this are over
    at = table[:, 0].astype(np.int64)
    over = at // size < whole
    carried = tuple((int(row[0]), *_known(row[1:])) for row in table[~over])
    return carried, _medians(at[over], table[over, 1:], size, enough, known)


def _medians(at: I64, figures: F64, size: int, enough: int, least: int) -> list[Part]:
    number, begins, counts = np.unique(at // size, return_index=True, return_counts=True)
    if not len(number):
        return []
    cells = np.full((len(number), size, figures.shape[1]), np.nan)
    cells[np.repeat(np.arange(len(number)), counts), at % size] = figures
    cells.sort(axis=1)  # NaN go last
    known = np.isfinite(cells).sum(axis=1)[:, None, :]
    low, high = np.maximum(known - 1, 0) // 2, np.minimum(known // 2, size - 1)
    middle = (np.take_along_axis(cells, low, axis=1) + np.take_along_axis(cells, high, axis=1))[:, 0, :] / 2.0
    middle[known[:, 0, :] < least] = np.nan
    return [
        Part(first, (part + 1) * size - 1, _known(row))
        for part, first, row, count in zip(number.tolist(), at[begins].tolist(), middle, counts.tolist(), strict=True)
        if count >= enough
    ]


def _known(row: F64) -> tuple[float | None, ...]:
    return tuple(value if isfinite(value) else None for value in row.tolist())


def latest(minutes: I64, where: Mask, before: int | None) -> list[int | None]:
    """For each minute the latest one at or before it ``where`` it was so; ``before`` is known from earlier."""
    index = last_index(where)
    return [before if k < 0 else int(minutes[k]) for k in index.tolist()]
