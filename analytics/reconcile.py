"""Flows that must add up, reconciled: the smallest corrections, weighed by what each meter may err. Pure.

Weighted least squares under linear balances A x = 0 with the global χ² test and the measurement test (F. Madron;
S. Narasimhan & C. Jordache, Data Reconciliation and Gross Error Detection, 2000, chapters 3 and 7, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import stats

from analytics.frame import F64

CONFIDENCE: Final = 0.95


@dataclass(frozen=True, slots=True)
class Reconciled:
    """``value`` (n,) that close every balance, their own standard uncertainty ``sigma`` (n,); ``closure`` (m,): A y.

    ``statistic`` is χ² of ``freedom`` degrees where meters err as stated, ``p`` the chance of that much or more.
    ``z`` (n,): each correction by its standard deviation, NaN where no balance checks that meter.
    """

    value: F64
    sigma: F64
    closure: F64
    closure_sigma: F64
    statistic: float
    freedom: int
    p: float
    z: F64

    @property
    def agrees(self) -> bool:
        """The global test at 95 %."""
        return self.p >= 1.0 - CONFIDENCE

    def suspect(self) -> int | None:
        """The meter whose correction is the least likely, beyond the limit for n meters tested together (Z. Šidák,
        J. American Statistical Association 62, 1967, 626); None where none is. Equal ones cannot be told apart."""
        tested = np.isfinite(self.z)
        if not tested.any():
            return None
        each = 1.0 - CONFIDENCE ** (1.0 / int(tested.sum()))
        sizes = np.where(tested, np.abs(self.z), -1.0)
        order = np.argsort(sizes)
        best = int(order[-1])
        alone = len(sizes) == 1 or sizes[order[-2]] < sizes[best] * (1.0 - 1e-6)
        return best if alone and sizes[best] > stats.norm.isf(each / 2.0) else None


def reconcile(balances: F64, measured: F64, sigma: F64) -> Reconciled:
    """``balances`` (m, n): 1 where a stream enters, -1 where it leaves; ``measured`` (n,) and ``sigma`` (n,) alike.

    ValueError for shapes that do not fit, a σ that is not above zero, figures that are not finite, or balances that
    say the same twice.
    """
    rows, streams = balances.shape
    if measured.shape != (streams,) or sigma.shape != (streams,):
        raise ValueError(f"{streams} streams stand in the balances: got {measured.shape} values, {sigma.shape} sigmas")
    if not (np.isfinite(measured).all() and np.isfinite(sigma).all() and (sigma > 0).all()):
        raise ValueError("measured must be finite and sigma above zero: leave unmeasured streams out of the balances")
    if np.linalg.matrix_rank(balances) < rows:
        raise ValueError("the balances are not independent: leave out those that follow from others")
    variance = np.diag(sigma**2)
    closure = balances @ measured
    spread = balances @ variance @ balances.T
    gain = variance @ balances.T @ np.linalg.inv(spread)
    correction = gain @ closure
    explained = gain @ balances @ variance  # covariance of the corrections
    deviation = np.sqrt(np.maximum(np.diag(explained), 0.0))
    statistic = float(closure @ np.linalg.solve(spread, closure))
    checked = deviation > 1e-12 * sigma
    return Reconciled(
        value=measured - correction,
        sigma=np.sqrt(np.maximum(sigma**2 - np.diag(explained), 0.0)),
        closure=closure,
        closure_sigma=np.sqrt(np.diag(spread)),
        statistic=statistic,
        freedom=rows,
        p=float(stats.chi2.sf(statistic, rows)),
        z=np.where(checked, -correction / np.where(checked, deviation, 1.0), np.nan),
    )
