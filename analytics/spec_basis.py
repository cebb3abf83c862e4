"""A specification's own basis: the mean over its window, and what is read just now. Pure, on arrays.

A limit on a mean of hours or days says nothing of a moment, and a limit on grab samples nothing of an analyser: 40 CFR
435.13, for one, has a limit for any one day and another for the average of daily values over 30 consecutive days.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analytics.frame import F64, I64, Mask

SLOT: Final = 5  # minutes, for windows of hours
MOST_SLOTS: Final = 288  # in a window of hours
DAY: Final = 1440
COVERED: Final = 0.5  # least share of a window that must have been read: common practice, no source
LEAST_OF_DAY: Final = 60  # minutes read that make a day's mean: likewise
RECENT: Final = 3  # slots that are "just now", where the window is of hours

Slots = tuple[tuple[int, float, int], ...]
"""(number of the slot, sum, minutes read) of each slot that the window may still need."""


@dataclass(frozen=True, slots=True)
class Basis:
    """``window`` and ``slot`` in minutes; a window of 0 is a grab sample."""

    window: int
    slot: int

    @property
    def size(self) -> int:
        """Slots in the window, of "just now" for a grab sample."""
        return max(self.window // self.slot, 1) if self.window else RECENT

    @property
    def daily(self) -> bool:
        """A mean of daily means."""
        return self.slot == DAY


def basis_of(text: str) -> Basis:
    """``grab``, or a window such as ``1h`` or ``30d``, as the fleet file writes it."""
    if text == "grab":
        return Basis(0, SLOT)
    hours = int(text[:-1])
    if text.endswith("d"):
        return Basis(hours * DAY, DAY)
    return Basis(hours * 60, SLOT * max(1, -(-hours * 60 // (SLOT * MOST_SLOTS))))


@dataclass(frozen=True, slots=True)
class Means:
    """At the end of each slot (its last minute): the window's mean, that of just now (NaN unknown), what was read."""

    minutes: I64
    window: F64
    recent: F64
    read: F64  # minutes, or days where the basis is daily


def means(slots: Slots, minutes: I64, values: F64, usable: Mask, basis: Basis) -> tuple[Slots, Means]:
    """The slots to carry on, and the means at the slots that end in these minutes."""
    first = slots[0][0] if slots else int(minutes[0]) // basis.slot
    last = int(minutes[-1]) // basis.slot
    total, count = np.zeros(last - first + 1), np.zeros(last - first + 1)
    for number, known_sum, known in slots:
        total[number - first], count[number - first] = known_sum, known
    at = minutes[usable] // basis.slot - first
    np.add.at(total, at, values[usable])
    np.add.at(count, at, 1)
    kept = tuple(
        (first + k, float(total[k]), int(count[k])) for k in range(max(0, len(total) - basis.size - 1), len(total))
    )
    if basis.daily:
        enough = count >= LEAST_OF_DAY
        total, count = np.where(enough, total / np.maximum(count, 1), 0.0), enough.astype(np.float64)
    ends = (first + np.arange(len(total)) + 1) * basis.slot - 1
    whole = (ends >= minutes[0]) & (ends <= minutes[-1])
    window, read = _moving(total, count, basis.size)
    least = COVERED * basis.size * (1 if basis.daily else basis.slot)
    window = np.where(read >= least, window, np.nan)
    recent, now = _moving(total, count, 1 if basis.daily else RECENT)
    recent = np.where(now > 0, recent, np.nan)
    return kept, Means(ends[whole], window[whole], recent[whole], read[whole])


def _moving(total: F64, count: F64, size: int) -> tuple[F64, F64]:
    sums, counts = (np.convolve(x, np.ones(size))[: len(x)] for x in (total, count))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(counts > 0.5, sums / counts, np.nan), np.rint(counts)
