"""How many points a control chart goes on before it signals, on average (ARL), and limits for a wanted one.

Independent points: Shewhart's chart exactly, EWMA and CUSUM by their integral equation with Gauss–Legendre nodes
(S. V. Crowder, Technometrics 29, 1987, 401; A. L. Goel & S. M. Wu, Technometrics 13, 1971, 221). Points that follow
each other, x[t] = φ x[t-1] + noise, make every published table a lie: a CUSUM that signals falsely once in 465
points signals once in about 50 at φ = 0.5. For them run lengths are simulated, with a fixed seed.

Everything is in units of the points' own standard deviation.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil, inf, sqrt
from typing import Final, Protocol

import numpy as np
from scipy import linalg, optimize, stats
from scipy.special import ndtr

from analytics.frame import F64

NODES: Final = 80
RUNS: Final = 4000  # simulated: the standard error of a mean run length is about 1.6 % of it
OVERSHOOT: Final = 1.166
"""By which a sum oversteps its limit: D. Siegmund, Sequential Analysis, 1985; only to tell lengths beyond counting."""
SEED: Final = 20260101
LONGEST: Final = 50  # times the longest mean run length that is looked for; beyond it a simulated run is cut


class Watched(Protocol):
    """A chart whose runs can be told: ``at`` is its limit, in σ."""

    @property
    def at(self) -> float:
        """The limit."""
        ...

    def arl(self, shift: float = 0.0) -> float:
        """Points until it signals, on average, from its start on, when the mean has moved by ``shift``."""
        ...

    def with_limit(self, at: float) -> Watched:
        """The same chart with another limit."""
        ...

    def begin(self, runs: int) -> F64:
        """The statistic (2, runs) or (1, runs) before the first point."""
        ...

    def step(self, before: F64, x: F64) -> F64:
        """The statistic after points ``x`` (runs,); the chart signals where any of a run exceeds the limit."""
        ...


@dataclass(frozen=True, slots=True)
class Shewhart:
    """Signals on one point beyond ``at`` σ to either side."""

    at: float = 3.0

    def arl(self, shift: float = 0.0) -> float:
        """Geometric, exactly."""
        return float(1.0 / (stats.norm.sf(self.at - shift) + stats.norm.cdf(-self.at - shift)))

    def with_limit(self, at: float) -> Shewhart:
        """Another limit."""
        return Shewhart(at)

    def begin(self, runs: int) -> F64:
        """Nothing remembered."""
        return np.zeros((1, runs))

    def step(self, before: F64, x: F64) -> F64:  # noqa: ARG002
        """The point itself."""
        return np.abs(x)[None]


@dataclass(frozen=True, slots=True)
class EwmaChart:
    """Two-sided EWMA of ``weight`` with fixed limits at ``at`` times its standard deviation for independent points."""

    weight: float
    at: float

    def arl(self, shift: float = 0.0) -> float:
        """Zero state: from the centre on."""
        limit = self.at * sqrt(self.weight / (2.0 - self.weight))
        nodes, weights = _nodes(-limit, limit)
        kernel = stats.norm.pdf((nodes[None, :] - (1 - self.weight) * nodes[:, None]) / self.weight - shift)
        lengths = linalg.solve(np.eye(NODES) - weights * kernel / self.weight, np.ones(NODES))
        return float(1.0 + weights * stats.norm.pdf(nodes / self.weight - shift) / self.weight @ lengths)

    def with_limit(self, at: float) -> EwmaChart:
        """Another limit."""
        return EwmaChart(self.weight, at)

    def begin(self, runs: int) -> F64:
        """At the centre; the two sides in units of the average's standard deviation."""
        return np.zeros((2, runs))

    def step(self, before: F64, x: F64) -> F64:
        """One more point."""
        up = (1 - self.weight) * before[0] + self.weight * x / sqrt(self.weight / (2.0 - self.weight))
        return np.stack([up, -up])


@dataclass(frozen=True, slots=True)
class CusumChart:
    """Two-sided tabular CUSUM with reference value ``reference``, from ``head`` on (a head start) to both sides."""

    reference: float
    at: float
    head: float = 0.0

    def arl(self, shift: float = 0.0) -> float:
        """Of both sides together, by those of each (J. M. Lucas & R. B. Crosier, Technometrics 24, 1982, 199)."""
        (up, up_zero), (down, down_zero) = (
            (self.one_sided(side * shift, self.head), self.one_sided(side * shift, 0.0)) for side in (1, -1)
        )
        if inf in (up_zero, down_zero):
            return min(up, down)
        return (up * down_zero + down * up_zero - up_zero * down_zero) / (up_zero + down_zero)

    def one_sided(self, shift: float = 0.0, head: float = 0.0) -> float:
        """Of the upper side alone; infinite where it is more than double precision tells, some 1e10 points."""
        if 2.0 * (self.reference - shift) * (self.at + OVERSHOOT) > 25.0:
            return inf
        nodes, weights = _nodes(0.0, self.at)
        drift = self.reference - shift
        begin = np.append(nodes, 0.0)  # the last unknown is the run length from zero, where the sum may rest
        matrix = np.empty((NODES + 1, NODES + 1))
        matrix[:, :NODES] = weights * stats.norm.pdf(nodes[None, :] - begin[:, None] + drift)
        matrix[:, NODES] = ndtr(drift - begin)
        lengths = linalg.solve(np.eye(NODES + 1) - matrix, np.ones(NODES + 1))
        return float(
            1.0 + weights * stats.norm.pdf(nodes - head + drift) @ lengths[:-1] + ndtr(drift - head) * lengths[-1]
        )

    def with_limit(self, at: float) -> CusumChart:
        """Another decision interval."""
        return CusumChart(self.reference, at, self.head)

    def begin(self, runs: int) -> F64:
        """Both sums at the head start."""
        return np.full((2, runs), self.head)

    def step(self, before: F64, x: F64) -> F64:
        """One more point."""
        return np.maximum(0.0, before - self.reference + np.stack([x, -x]))


def simulated(
    chart: Watched, *, phi: float = 0.0, shift: float = 0.0, runs: int = RUNS, longest: int = 100_000
) -> float:
    """The mean run length of ``runs`` simulated ones on points of lag-one correlation ``phi``; same seed each time.

    A run is cut at ``longest`` points and then counts as that long. ValueError unless -1 < phi < 1.
    """
    _check(phi)
    rng = np.random.default_rng(SEED)
    x, state = rng.standard_normal(runs), chart.begin(runs)
    ended, left = [np.full(0, 0)], np.arange(runs)
    for point in range(1, longest + 1):
        state = chart.step(state, x + shift)
        out = (state > chart.at).any(axis=0)
        if out.any():
            ended.append(np.full(int(out.sum()), point))
            state, x, left = state[:, ~out], x[~out], left[~out]
            if not len(left):
                break
        x = phi * x + sqrt(1.0 - phi * phi) * rng.standard_normal(len(left))
    return float(np.mean(np.concatenate([*ended, np.full(len(left), longest)])))


def limit_for(chart: Watched, arl: float, *, phi: float = 0.0, low: float = 0.05, high: float = 60.0) -> float:
    """The limit, between ``low`` and ``high``, at which ``chart`` signals falsely once in ``arl`` points.

    Of points with lag-one correlation ``phi``; simulated where that is not zero. ValueError where none is there.
    """
    _check(phi)
    if not arl > 1.0:
        raise ValueError(f"a chart cannot signal more often than at every point: wanted {arl}")
    cut = ceil(LONGEST * arl)
    told: Callable[[float], float] = (
        (lambda at: chart.with_limit(at).arl())
        if phi == 0.0
        else (lambda at: simulated(chart.with_limit(at), phi=phi, longest=cut))
    )
    top = low
    while told(top) < arl:  # from below, for the run length grows without bound
        low, top = top, top * 1.5
        if top > high:
            raise ValueError(f"no limit up to {high} gives one false signal in {arl} points at phi {phi}")
    return top if top == low else float(optimize.brentq(lambda at: told(at) - arl, low, top, xtol=1e-4))


def correlation(values: F64) -> float:
    """Lag-one correlation of ``values`` (n,), 0 for fewer than 3 or none that vary; within (-0.99, 0.99)."""
    around = values - np.mean(values) if len(values) else values
    power = float(around @ around)
    return float(np.clip(around[1:] @ around[:-1] / power, -0.99, 0.99)) if len(values) > 2 and power > 0 else 0.0


def _nodes(low: float, high: float) -> tuple[F64, F64]:
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    half = (high - low) / 2.0
    return low + half * (nodes + 1.0), half * weights


def _check(phi: float) -> None:
    if not -1.0 < phi < 1.0:
        raise ValueError(f"phi must be between -1 and 1, got {phi}")
