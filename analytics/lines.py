"""Straight lines through points of which some lie."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from analytics.frame import F64


class Line(NamedTuple):
    """y = cut + slope·x, and the ends of the slope's interval."""

    slope: float
    cut: float
    least: float
    most: float


def middles(rows: F64) -> F64:
    """Median of each row (k, n) without NaN: as numpy.median, without its overhead for small arrays."""
    ordered, n = np.sort(rows, axis=1), rows.shape[1]
    return np.asarray((ordered[:, (n - 1) // 2] + ordered[:, n // 2]) / 2.0)


def theil_sen(x: F64, ys: F64, *, cover: float) -> list[Line]:
    """The line through each row of ``ys`` (k, n) over ``x`` (n,), which must ascend strictly; n at least 2.

    The median of the slopes of all pairs, with Sen's interval (J. Am. Stat. Assoc. 63, 1968, 1379). As
    scipy.stats.theilslopes, which takes ten times as long for the few points and many calls that there are here.
    """
    n = len(x)
    first, second = _pairs(n)
    slopes = np.sort((ys[:, second] - ys[:, first]) / (x[second] - x[first]), axis=1)
    size = slopes.shape[1]
    middle = (slopes[:, (size - 1) // 2] + slopes[:, size // 2]) / 2.0
    cuts = middles(ys) - middle * middles(x[None, :])
    z = float(ndtri((1.0 + cover) / 2.0))
    lines = []
    for y, row, slope, cut in zip(ys, slopes, middle.tolist(), cuts.tolist(), strict=True):
        spread = z * float(np.sqrt(_variance(n) - _ties(y)))
        low = max(round((size - spread) / 2.0) - 1, 0)
        high = min(round((size + spread) / 2.0), size - 1)
        lines.append(Line(slope, cut, float(row[low]), float(row[high])))
    return lines


@lru_cache(maxsize=64)
def _pairs(n: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    first, second = np.triu_indices(n, 1)
    return first, second


def _variance(n: int) -> float:
    """Variance of Kendall's S for ``n`` different values."""
    return n * (n - 1) * (2 * n + 5) / 18.0


def _ties(y: F64) -> float:
    """What equal values take off that variance."""
    ordered = np.sort(y)
    same = ordered[1:] == ordered[:-1]
    if not same.any():
        return 0.0
    _, counts = np.unique(ordered, return_counts=True)
    return float(sum(_variance(int(k)) for k in counts if k > 1))
