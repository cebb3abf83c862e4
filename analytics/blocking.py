"""Blocking laws: how a pressure drop goes on by itself, at constant flow.

Hermia, Trans. IChemE 60, 1982, 183. With x proportional to throughput the drop over the clean drop is
1/(1 − x) (complete), (1 − x/2)⁻² (standard), eˣ (intermediate) or 1 + x (cake). So 1/ΔP, ΔP^-½, ln ΔP and ΔP
are straight lines in throughput.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from analytics.frame import F64
from analytics.lines import middles, theil_sen

LEAST_POINTS: Final = 8
COVER: Final = 0.80
RECENT: Final = 0.3  # share of a running curve that is fitted: how it began says little of how it ends
FAR: Final = 3.0  # an upper end that no law can tell is put at this many times the estimate
_FLOOR: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Law:
    """``straight`` makes a curve of this law a rising straight line; ``back`` undoes it."""

    name: str
    straight: Callable[[F64], F64]
    back: Callable[[F64], F64]


LAWS: Final = (
    Law("complete", lambda p: -1.0 / p, lambda y: -1.0 / y),
    Law("standard", lambda p: -(p**-0.5), lambda y: y**-2.0),
    Law("intermediate", np.log, np.exp),
    Law("cake", lambda p: p, lambda y: y),
)


@dataclass(frozen=True, slots=True)
class Fit:
    """A law fitted by Theil–Sen: straight(ΔP) = cut + slope·x; slope ends of an 80 % interval; ``misfit`` relative."""

    law: Law
    cut: float
    slope: float
    least: float
    most: float
    misfit: float

    def reach(self, level: float, slope: float | None = None) -> float:
        """Throughput at which the line reaches ``level``."""
        return float((self.law.straight(np.array(level)) - self.cut) / (self.slope if slope is None else slope))


def fits(at: F64, drops: F64) -> list[Fit]:
    """The laws under which ``drops`` rise over ``at``, best first; none below LEAST_POINTS points."""
    if len(at) < LEAST_POINTS:
        return []
    positive = np.maximum(drops, max(_FLOOR, _FLOOR * float(np.max(drops))))
    found = []
    lines = np.array([law.straight(positive) for law in LAWS])
    for law, (slope, cut, least, most) in zip(LAWS, theil_sen(at, lines, cover=COVER), strict=True):
        if slope > 0.0:
            fitted = law.back(cut + slope * at)
            misfit = float(middles(np.abs(np.where(np.isfinite(fitted), fitted, 0.0) - drops)[None, :])[0])
            found.append(Fit(law, cut, slope, least, most, misfit))
    return sorted(found, key=lambda fit: fit.misfit)


def extrapolate(at: F64, drops: F64, now: float, level: float) -> tuple[float, float, float] | None:
    """Throughput from ``now`` until the drop is ``level``: the best law's, and ends over all laws.

    Only the last part of the curve is fitted. None while nothing rises.
    """
    part = at >= now * (1.0 - RECENT)
    if part.sum() < LEAST_POINTS:
        part = np.arange(len(at)) >= len(at) - LEAST_POINTS
    found = fits(at[part], drops[part])
    if not found:
        return None
    best = max(0.0, found[0].reach(level) - now)
    low = min(fit.reach(level, fit.most) - now for fit in found)
    ends = [fit.reach(level, fit.least) - now for fit in found if fit.least > 0.0]
    high = max(ends) if len(ends) == len(found) else max([FAR * best, *ends])
    return best, max(0.0, min(low, best)), max(high, best)


def extend(at: F64, drops: F64, level: float, points: int = 16) -> tuple[F64, F64] | None:
    """A finished curve carried on to ``level`` by the law that fits its second half; empty if it was there.

    None if its second half does not rise.
    """
    top = float(np.max(drops))
    if top >= level:
        return np.empty(0), np.empty(0)
    half = len(at) // 2
    found = fits(at[half:], np.maximum.accumulate(drops)[half:])
    if not found:
        return None
    levels = np.linspace(top, level, points + 1)[1:]
    start = found[0].reach(top)
    return at[-1] + np.array([found[0].reach(each) - start for each in levels]), levels
