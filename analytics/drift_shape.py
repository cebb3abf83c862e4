"""Is a series a slow drift: does it rise or fall steadily, in small steps, and when did it begin?"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.stats import kendalltau

from analytics.frame import F64

# Common practice, no source.
TREND: Final = 0.6  # Kendall's tau from which a series goes one way
STEP: Final = 0.4  # of the whole change: a drift makes no larger step between two parts
LEAST: Final = 6  # parts from which anything is said
PARTS: Final = 12  # at most, into which a series is cut: what comes and goes within one does not count


def steady(values: F64) -> bool:
    """True if ``values`` (n,), the newest last, go one way (Kendall, Biometrika 30, 1938, 81) and without a jump."""
    parts = np.array([np.median(part) for part in np.array_split(values, min(PARTS, len(values)))])
    change = float(np.median(parts[-2:]) - np.median(parts[:2]))
    if len(parts) < LEAST or change == 0.0:
        return False
    tau = float(kendalltau(np.arange(len(parts)), parts).statistic)
    return abs(tau) >= TREND and float(np.max(np.abs(np.diff(parts)))) <= STEP * abs(change)


def hinge(values: F64) -> int:
    """Position at which a ramp from zero begins that fits ``values`` (n,) with the least sum of |errors|."""
    at = np.arange(len(values), dtype=np.float64)
    best, found = np.inf, 0
    for start in range(len(values) - 2):
        ramp = np.maximum(0.0, at - start)
        slope = float(np.median(values[start + 1 :] / ramp[start + 1 :]))
        error = float(np.sum(np.abs(values - slope * ramp)))
        if error < best:
            best, found = error, start
    return found
