"""Control charts: EWMA, tabular CUSUM, and the limits of Hotelling's T². Their run lengths: ``run_lengths``. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate
from typing import Final

import numpy as np
from scipy import signal, stats

from analytics.frame import F64, Mask

WEIGHT: Final = 0.2
LIMIT: Final = 2.962
"""With weight 0.2, limits at 2.962 σ: one false signal in 500 points (J. M. Lucas & M. S. Saccucci, Technometrics 32,
1990, 1), where centre and σ are known and points independent. Learnt from few points they are not, and false signals
are more frequent."""
REFERENCE: Final = 0.5
DECISION: Final = 5.0
"""With reference value 0.5 σ, a decision interval of 5 σ: one false signal in 465 independent points."""


@dataclass(frozen=True, slots=True)
class Ewma:
    """An EWMA chart; arrays (n,). ``out``: beyond its limits, which widen as the average gathers points."""

    average: F64
    low: F64
    high: F64
    out: Mask


@dataclass(frozen=True, slots=True)
class Cusum:
    """A tabular CUSUM; arrays (n,), sums in the values' unit and never below zero."""

    upper: F64
    lower: F64
    out: Mask


def ewma(values: F64, *, centre: float, sigma: float, weight: float = WEIGHT, limit: float = LIMIT) -> Ewma:
    """Exponentially weighted moving average of ``values`` (n,) in order, from ``centre`` on (S. W. Roberts, 1959).

    ValueError unless ``sigma`` is above zero and ``weight`` in (0, 1].
    """
    if not (sigma > 0 and 0 < weight <= 1):
        raise ValueError(f"sigma must be above 0 and weight in (0, 1], got {sigma} and {weight}")
    average = centre + signal.lfilter([weight], [1.0, weight - 1.0], values - centre)
    gathered = 1.0 - (1.0 - weight) ** (2.0 * np.arange(1, len(values) + 1))
    band = limit * sigma * np.sqrt(weight / (2.0 - weight) * gathered)
    return Ewma(average, centre - band, centre + band, np.abs(average - centre) > band)


def cusum(
    values: F64, *, centre: float, sigma: float, reference: float = REFERENCE, decision: float = DECISION
) -> Cusum:
    """Two one-sided cumulative sums from zero on (E. S. Page, Biometrika 41, 1954, 100); they go on after a signal.

    ``reference`` (half the shift to be found) and ``decision`` in σ. ValueError unless ``sigma`` and ``decision`` are
    above zero and ``reference`` is not below it.
    """
    if not (sigma > 0 and reference >= 0 and decision > 0):
        raise ValueError(
            f"sigma and decision must be above 0, reference not below: got {sigma}, {decision}, {reference}"
        )
    slack = reference * sigma
    upper, lower = _sum(values - centre - slack), _sum(centre - slack - values)
    return Cusum(upper, lower, np.maximum(upper, lower) > decision * sigma)


def t2_limit(p: int, m: int, alpha: float) -> float:
    """Limit of T² for one new point of ``p`` variables whose mean and covariance were learnt of ``m`` others.

    Phase II for individual observations (N. D. Tracy, J. C. Young & R. L. Mason, J. Quality Technology 24, 1992, 88).
    ValueError unless 1 ≤ p < m and 0 < alpha < 1.
    """
    _check(p, m, alpha)
    return float(p * (m + 1) * (m - 1) / (m * m - m * p) * stats.f.isf(alpha, p, m - p))


def t2_limit_within(p: int, m: int, alpha: float) -> float:
    """Limit of T² for one of the ``m`` points of which mean and covariance were learnt: phase I, same source.

    ValueError unless 1 ≤ p < m - 1 and 0 < alpha < 1.
    """
    _check(p, m - 1, alpha)
    return float((m - 1) ** 2 / m * stats.beta.isf(alpha, p / 2, (m - p - 1) / 2))


def _sum(steps: F64) -> F64:
    sums = accumulate(steps.tolist(), lambda total, step: max(0.0, total + step), initial=0.0)
    return np.array(list(sums)[1:], dtype=np.float64)


def _check(p: int, m: int, alpha: float) -> None:
    if not (1 <= p < m and 0 < alpha < 1):
        raise ValueError(f"T² needs 1 ≤ p < m and 0 < alpha < 1, got p {p}, m {m}, alpha {alpha}")
