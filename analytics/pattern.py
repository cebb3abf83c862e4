"""Do several readings still fit each other as usual? A watch over the points of any grid, that re-baselines. Pure.

Each reading is measured by how far it wanders by itself within a quarter of the time learnt of (median of its lagged
differences), so that what drifts anyway weighs little. T² of an average of the latest points (Hotelling; covariance of
the same differences by O. Ledoit & M. Wolf, J. Multivariate Analysis 88, 2004, 365) is compared with its limit. The
centre follows, by at most one such wandering in the same time: a step or a fast drift outruns it. What crept away
slowly is seen by its distance from where the centre first stood. What goes back to where it stood before it was unusual
is usual: the centre that has followed it meanwhile must not make its return an event.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from pydantic import BaseModel, ConfigDict
from scipy import stats
from sklearn.covariance import LedoitWolf

from analytics.frame import F64

ROBUST: Final = 1.4826  # MAD to standard deviation of normal noise: 1/Φ⁻¹(0.75)
FLOOR: Final = 0.25  # of the plain deviation, below which the robust one is not trusted: readings with few levels
CLIP: Final = 4.0  # wanderings beyond which a learnt difference is a step, and no wandering
Figures = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Settings:
    """``learn`` points make the reference. Others are one choice for all recordings; common practice, no source.

    ``alpha``: of T² by χ², far out because points follow each other and are not normal; ``back``: share of that limit
    below which it is usual again; ``rise``, ``fall``: points in a row for either; ``weight`` of the newest point;
    ``slow``: wanderings from where the centre first stood; ``accept``: times ``learn`` points after which what lasts
    is the new usual; ``gone``: share of the most that T² was, below which it counts as gone, and what is left of it as
    the new usual.
    """

    learn: int
    alpha: float = 3e-6
    back: float = 0.6
    rise: int = 2
    fall: int = 1
    weight: float = 0.5
    slow: float = 25.0
    accept: float = 2.0
    gone: float = 0.03

    @property
    def horizon(self) -> int:
        """Points over which a reading's own wandering is measured, and in which the centre may follow by one."""
        return max(1, self.learn // 4)


class PatternState(BaseModel):
    """What is remembered between points: ``points`` while learning, then scaled figures of p readings each."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    points: tuple[Figures, ...] = ()
    scale: Figures = ()
    inverse: tuple[Figures, ...] = ()
    centre: Figures = ()
    first: Figures = ()
    before: Figures = ()  # the centre when it last became unusual
    average: Figures = ()
    beyond: int = 0
    inside: int = 0
    left: int = 0
    lasted: int = 0
    most: float = 0.0
    unusual: bool = False


class Pattern:
    """One watch, loaded from its state for a while: give it points, then keep its state."""

    def __init__(self, settings: Settings, state: PatternState) -> None:
        self.settings = settings
        self._points = list(state.points)
        self._scale = np.array(state.scale)
        self._inverse = np.array(state.inverse)
        self._centre, self._first, self._average = (np.array(a) for a in (state.centre, state.first, state.average))
        self._before = np.array(state.before)
        self._beyond, self._inside, self._lasted = state.beyond, state.inside, state.lasted
        self._left, self._most, self.unusual = state.left, state.most, state.unusual
        self.share = 0.0
        """T² of the latest point by its limit, or its slow departure by its own, whichever is more."""

    @property
    def ready(self) -> bool:
        """Has it learnt?"""
        return len(self._scale) > 0

    @property
    def learnt(self) -> int:
        """Points learnt of so far."""
        return self.settings.learn if self.ready else len(self._points)

    def state(self) -> PatternState:
        """To be kept until the next points."""
        arrays = (self._scale, self._centre, self._first, self._average)
        scale, centre, first, average = (tuple(a.tolist()) for a in arrays)
        return PatternState(
            points=tuple(self._points),
            scale=scale,
            inverse=tuple(tuple(row) for row in self._inverse.tolist()),
            centre=centre,
            first=first,
            before=tuple(self._before.tolist()),
            average=average,
            beyond=self._beyond,
            inside=self._inside,
            left=self._left,
            lasted=self._lasted,
            most=self._most,
            unusual=self.unusual,
        )

    def step(self, x: F64) -> bool:
        """Is it unusual after the point ``x`` (p,)? NaN: not known, and taken to be where the others put it.

        While it learns nothing is, and points that are not whole are passed over.
        """
        if not self.ready:
            if np.isfinite(x).all():
                self._points.append(tuple(x.tolist()))
                if len(self._points) == self.settings.learn:
                    self._learn(np.array(self._points))
                    self._points = []
            return False
        s = self.settings
        off = x / self._scale - self._centre
        known = np.isfinite(off)
        if not known.any():
            return self.unusual
        if not known.all():  # what is not known is where the others say that it should be
            lacks, rows = ~known, self._inverse[~known]
            off[lacks] = -np.linalg.solve(rows[:, lacks], rows[:, known] @ off[known])
        self._average = (1.0 - s.weight) * self._average + s.weight * off
        self._judge()
        # Follows each reading by a bounded pace, unusual or not: what drifts anyway does not keep an alarm standing.
        pace = (0.5 if self.unusual else 1.0) / s.horizon
        self._centre = self._centre + pace * np.clip(np.where(known, off, 0.0), -1.0, 1.0)
        return self.unusual

    def contributions(self) -> F64:
        """How much each of the p readings adds to what is unusual, sum 1: squares of the whitened departure, or of the
        slow departures where these say more."""
        values, vectors = np.linalg.eigh(self._inverse)
        fast = (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T @ self._away()
        gone = self._gone()
        parts = np.square(fast) if self._t2() / self._limit() >= np.max(np.abs(gone)) / self.settings.slow else gone**2
        return np.asarray(parts / max(float(parts.sum()), 1e-300))

    def usual(self) -> F64:
        """Where each reading was expected, in its own unit."""
        return np.asarray(self._centre * self._scale)

    def now(self) -> F64:
        """The average of the latest points, in the readings' own units."""
        return np.asarray((self._centre + self._average) * self._scale)

    def _learn(self, points: F64) -> None:
        lag = self.settings.horizon
        steps = (points[lag:] - points[:-lag]) / np.sqrt(2.0)
        plain = steps.std(axis=0)
        # A reading that never moved is measured by its size: the first digit that it ever moves is not an event.
        least = 1e-3 * np.maximum(np.abs(points).mean(axis=0), 1e-6)
        self._scale = np.maximum(np.maximum(ROBUST * np.median(np.abs(steps), axis=0), FLOOR * plain), least)
        fitted = LedoitWolf(assume_centered=True).fit(np.clip(steps / self._scale, -CLIP, CLIP))
        self._inverse = np.linalg.inv(fitted.covariance_ + 1e-6 * np.eye(points.shape[1]))
        scaled = points / self._scale
        centre = np.median(scaled, axis=0)
        for point in scaled:
            centre = centre + np.clip(point - centre, -1.0, 1.0) / lag
        self._centre, self._first, self._average = centre, centre.copy(), np.zeros(points.shape[1])

    def _judge(self) -> None:
        s = self.settings
        self.share = max(self._t2() / self._limit(), float(np.max(np.abs(self._gone()))) / s.slow)
        self._beyond = self._beyond + 1 if self.share > 1.0 else 0
        self._inside = self._inside + 1 if self.share < s.back else 0
        if not self.unusual:
            self.unusual, self._lasted, self._most = self._beyond >= s.rise, 0, self.share
            if self.unusual:
                self._before = self._centre + self._average - self._away()
            return
        self._lasted, self._most = self._lasted + 1, max(self._most, self.share)
        self._left = self._left + 1 if self.share < s.gone * self._most else 0
        if self._lasted >= s.accept * s.learn or self._left >= s.fall:
            self._centre = self._centre + self._average
            self._first, self._average = self._centre.copy(), np.zeros(len(self._centre))
            if self._lasted >= s.accept * s.learn:
                self._before = np.array(())
            self.unusual = False
        elif self._inside >= s.fall:
            self.unusual = False
        if not self.unusual:
            self._beyond = self._left = 0

    def _t2(self) -> float:
        away = self._away()
        return float(away @ self._inverse @ away)

    def _away(self) -> F64:
        """From the centre, or from where it was before the last alarm, whichever is nearer for each reading."""
        if not len(self._before):
            return self._average
        back = self._centre + self._average - self._before
        return np.where(np.abs(back) < np.abs(self._average), back, self._average)

    def _gone(self) -> F64:
        return np.asarray(self._centre + self._average - self._first)

    def _limit(self) -> float:
        return limit_of(len(self._centre), self.settings.alpha)


def limit_of(readings: int, alpha: float) -> float:
    """The limit of T² of so many readings."""
    if (known := _LIMITS.get((readings, alpha))) is None:
        known = _LIMITS[readings, alpha] = float(stats.chi2.isf(alpha, readings))
    return known


_LIMITS: Final[dict[tuple[int, float], float]] = {}
