"""Do two ways of measuring one thing agree? Bias, and a straight line with errors in both. Pure.

Deming's line and not Theil–Sen's, because a laboratory errs as well: a line that takes the laboratory for exact comes
out too flat, the more so the narrower the range, and would correct an analyser that needs none. Its price is that a
wild pair pulls it; the interval then widens, and the chart shows which pair it was.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import stats

from analytics.frame import F64

CONFIDENCE: Final = 0.95
D2: Final = 1.128  # mean range of two normal values by their σ: ASTM E2587, table of control chart factors
LEAST: Final = 3  # pairs; below that no interval has a degree of freedom to stand on


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure and the ends of its 95 % interval."""

    value: float
    low: float
    high: float

    def holds(self, value: float) -> bool:
        """True when ``value`` lies in the interval."""
        return self.low <= value <= self.high


@dataclass(frozen=True, slots=True)
class Line:
    """reading = ``intercept`` + ``slope`` × reference."""

    slope: Estimate
    intercept: Estimate


def bias(reading: F64, reference: F64) -> Estimate:
    """Mean of reading − reference, by Student's t (J. M. Bland & D. G. Altman, Lancet 327, 1986, 307).

    Arrays (n,) in one unit; ValueError for fewer than 3 pairs or unequal lengths.
    """
    _check(reading, reference)
    return _around(float(np.mean(reading - reference)), float(stats.sem(reading - reference)), len(reading))


def deming(reading: F64, reference: F64, *, ratio: float = 1.0) -> Line:
    """Deming's line; its intervals by the jackknife (K. Linnet, Clinical Chemistry 39, 1993, 424).

    Arrays (n,); ``ratio``: error variance of the readings by that of the reference, 1 where nobody knows better.
    ValueError for fewer than 3 pairs, unequal lengths, a ratio that is not above zero, or values that do not vary
    together, of which no line can be told.
    """
    _check(reading, reference)
    if not ratio > 0:
        raise ValueError(f"the ratio of error variances must be above zero, got {ratio}")
    whole = np.array(_deming(reading, reference, ratio))
    n = len(reading)
    each = np.arange(n)
    parts = np.array([_deming(reading[each != i], reference[each != i], ratio) for i in each])
    pseudo = n * whole - (n - 1) * parts
    slope, intercept = (
        _around(float(value), float(error), n, lost=2)
        for value, error in zip(whole, stats.sem(pseudo, axis=0), strict=True)
    )
    return Line(slope, intercept)


def _deming(reading: F64, reference: F64, ratio: float) -> tuple[float, float]:
    (xx, xy), (_, yy) = np.cov(reference, reading)
    if xy == 0.0:
        raise ValueError("reading and reference do not vary together: no line can be told")
    lean = yy - ratio * xx
    slope = (lean + np.sqrt(lean**2 + 4 * ratio * xy**2)) / (2 * xy)
    return float(slope), float(np.mean(reading) - slope * np.mean(reference))


def moving_range_sigma(values: F64) -> float:
    """Standard deviation of independent noise on ``values`` (n,), by the mean range of neighbours: a slow drift does
    not widen it. ValueError for fewer than 2."""
    if len(values) < 2:
        raise ValueError(f"a range needs 2 values, got {len(values)}")
    return float(np.mean(np.abs(np.diff(values))) / D2)


def _around(value: float, error: float, n: int, *, lost: int = 1) -> Estimate:
    half = float(stats.t.ppf((1 + CONFIDENCE) / 2, n - lost)) * error
    return Estimate(value, value - half, value + half)


def _check(reading: F64, reference: F64) -> None:
    if len(reading) != len(reference):
        raise ValueError(f"{len(reading)} readings do not pair with {len(reference)} references")
    if len(reading) < LEAST:
        raise ValueError(f"{len(reading)} pairs are too few; {LEAST} at least")
