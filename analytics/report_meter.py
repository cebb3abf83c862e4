"""Volume from a meter's own total: differences of its readings, with rollover and reset handled. Pure, on arrays.

A period's volume is that from the last reading before it to the last reading in it, so that periods that follow
each other add up to the period that holds them all, to the last digit of each step.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import fsum
from typing import Final

import numpy as np

from analytics.frame import F64, I64, Mask

GAP_S: Final = 900.0
"""Seconds between two readings from which what passed meanwhile stands on a line of its own."""

MOST: Final = 3.0
"""Times the usual most that can pass before a step is taken for another meter: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Steps:
    """Steps between readings, in the meter's unit. ``times``: the reading (µs) that ends each.

    ``in_gap``: the readings lie more than GAP_S apart. ``rollovers``, ``resets``: how often each was seen; what
    passed in the step of a reset is known only from zero on, or not at all.
    """

    times: I64
    before: I64
    volumes: F64
    in_gap: Mask
    rollovers: int
    resets: int

    def sum(self, where: Mask | None = None) -> float:
        """Their volume, correctly rounded, so that the order of adding does not matter."""
        return fsum(self.volumes if where is None else self.volumes[where])


def steps_of(
    times: I64, values: F64, start: int, end: int, *, rollover: float | None, most_per_s: float | None
) -> Steps:
    """Steps that end in [start, end) (µs). ``times`` ascend; NaN values are no readings.

    ``most_per_s``: what passes at the most (the meter's unit a second), by which a fall of the total is told to be a
    rollover or a reset, and a leap to be another meter. A meter with ``rollover`` counts from 0 up to it.
    """
    known = np.isfinite(values) & (times < end)
    times, values = times[known], values[known]
    first = int(np.searchsorted(times, start))
    at = max(first - 1, 0)
    times, values = times[at:], values[at:]
    if len(times) < 2:
        none = np.empty(0, dtype=np.int64)
        return Steps(none, none, np.empty(0), np.empty(0, dtype=np.bool_), 0, 0)
    span_s = np.diff(times) / 1e6
    change = np.diff(values)
    most = np.inf if most_per_s is None else most_per_s * MOST * np.maximum(span_s, 60.0)
    wrapped = change + (rollover or np.nan)
    rolled = (change < 0) & (wrapped >= 0) & (wrapped <= (most if most_per_s is not None else (rollover or 0.0) / 2))
    fell = (change < 0) & ~rolled
    leapt = change > most
    from_zero = np.where((values[1:] >= 0) & (values[1:] <= most), values[1:], 0.0)
    volumes = np.where(rolled, wrapped, np.where(fell, from_zero, np.where(leapt, 0.0, change)))
    return Steps(times[1:], times[:-1], volumes, span_s > GAP_S, int(rolled.sum()), int((fell | leapt).sum()))
