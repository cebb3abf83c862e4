"""Dates changes with ruptures: where did the level of a series move, and when did a drift begin.

PELT (Killick, Fearnhead & Eckley, JASA 107, 2012, 1590) with the squared-error cost. The penalty is the design
choice: 3 ln n times a variance. Where a series is cut that nobody knows anything of, it is the series' own: what
wanders on its own would else be cut at every turn (``python -m benchmarks open_sets``). Where the beginning of a known
deviation is dated it is the noise of successive differences, which the deviation does not widen, so that the first
part of a slow rise is cut off as well: with the series' own, ramps are dated up to twice as late.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np
import ruptures

from analytics.frame import F64

PENALTY: Final = 3.0  # times ln n σ²
ROBUST: Final = 1.4826  # MAD to standard deviation of normal noise: 1/Φ⁻¹(0.75)
LEAST: Final = 3  # points in a segment


def noise(values: F64) -> float:
    """Standard deviation of independent noise on ``values`` (n,), from the median of |differences| / √2.

    Floored at 1e-9 of the values' spread, so that a series without noise can be cut as well.
    """
    if len(values) < 2:
        return 0.0
    steps = np.abs(np.diff(values))
    spread = float(np.ptp(values))
    return float(max(ROBUST * np.median(steps) / np.sqrt(2.0), 1e-9 * spread))


def changes(values: F64, *, penalty: float = PENALTY, sigma: float | None = None) -> list[int]:
    """Positions at which a new level begins, rising; none for fewer than two segments' points or no spread.

    ``values`` (n,) must be finite (ValueError otherwise). ``sigma``: scale of the penalty, by default the standard
    deviation of ``values``.
    """
    if not np.isfinite(values).all():
        raise ValueError("changes() wants finite values; drop the gaps first")
    if len(values) < 2 * LEAST or float(np.ptp(values)) == 0.0:
        return []
    scale = float(np.std(values)) if sigma is None else sigma
    search = ruptures.KernelCPD(kernel="linear", min_size=LEAST).fit(values.reshape(-1, 1))
    return [int(k) for k in search.predict(pen=penalty * np.log(len(values)) * scale**2)[:-1]]


def onset(values: F64, *, usual: float, limit: float) -> int:
    """Position at which the deviation that stands at the end began.

    ``values`` (n,) finite; ``usual`` is the level before, ``limit`` (> 0) the deviation that counts. The last segment
    deviates; its beginning moves back over earlier segments that deviate to the same side by more than a third.
    """
    cuts = [0, *changes(values, sigma=noise(values)), len(values)]
    levels = [float(np.median(values[a:b])) - usual for a, b in pairwise(cuts)]
    side = np.sign(levels[-1])
    first = len(levels) - 1
    while first > 0 and levels[first - 1] * side > limit / 3:
        first -= 1
    return cuts[first]
