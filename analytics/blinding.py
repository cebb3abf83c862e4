"""A strainer's drop at equal flow and density, and when it will reach the drop at which it wants cleaning.

The clean drop is SG (Q/Cv)² (definition of the flow coefficient, IEC 60534), so ΔP / (SG Q²) is the same at any flow:
(1/Cv)². A screen of which the share b is blocked passes through 1 − b, so this index rises as (1 − b)⁻²: its share of
open area is a straight line under steady debris while the drop turns up.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from analytics.blocking import FAR, fits
from analytics.frame import F64

TURNS_UP: Final = "standard"  # ΔP^-½ is straight: the open area
MILDER: Final = "intermediate"  # ln ΔP is straight
UNEVEN: Final = 0.10  # share of the time left by which debris that does not come evenly may shift it
MINUTES: Final = 60.0


def resistance(dp: float, flow: float, density_ratio: float) -> float:
    """ΔP / (SG Q²), kPa/(m³/h)²."""
    return dp / (density_ratio * flow**2)


def blocked(index: F64, clean: float) -> F64:
    """Share of area blocked, 1 − (index / clean)^-½; below 0 where the index is below clean."""
    return np.asarray(1.0 - np.sqrt(clean / index))


def reach(minutes: Sequence[int], index: Sequence[float], level: float) -> tuple[float, float, float] | None:
    """Hours from the last of ``minutes`` until the index is ``level``: (least, likely, most), an 80 % interval.

    Theil–Sen (Sen, JASA 63, 1968, 1379) on the open area, which turns up; the ends count the milder ln(index) as
    well, and lie at least UNEVEN away. None where nothing rises.
    """
    at = (np.asarray(minutes, dtype=np.float64) - minutes[-1]) / MINUTES
    found = {fit.law.name: fit for fit in fits(at, np.asarray(index, dtype=np.float64))}
    if TURNS_UP not in found:
        return None
    both = [found[name] for name in (TURNS_UP, MILDER) if name in found]
    likely = max(0.0, found[TURNS_UP].reach(level))
    least = min(fit.reach(level, fit.most) for fit in both)
    most = [fit.reach(level, fit.least) if fit.least > 0.0 else FAR * likely for fit in both]
    return max(0.0, min(least, likely * (1.0 - UNEVEN))), likely, max(likely * (1.0 + UNEVEN), *most)
