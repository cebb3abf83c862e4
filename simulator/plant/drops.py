"""Oil as droplet sizes: a number for each of six classes, and the little arithmetic that the units need.

Plain tuples, written out class by class: on six numbers that is several times faster than arrays, loops or
compiled functions, and every minute of the plant does it dozens of times. Sums run from the finest class up,
so that they are the same to the last digit whatever the version of Python.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Final

Drops = tuple[float, float, float, float, float, float]

DIAMETERS: Final[Drops] = (5e-6, 10e-6, 20e-6, 40e-6, 80e-6, 160e-6)
"""Middle of each droplet class, m; each is twice the one before."""

NO_DROPS: Final[Drops] = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)

COALESCED: Final[Drops] = (0.0, 0.0, 0.02, 0.08, 0.3, 0.6)
"""Sizes of oil that comes back with reject or wash water, where it has run together (common practice, no source)."""


def total(x: Drops) -> float:
    """All classes together."""
    a, b, c, d, e, f = x
    return a + b + c + d + e + f


def scaled(x: Drops, by: float) -> Drops:
    """Every class times ``by``."""
    a, b, c, d, e, f = x
    return a * by, b * by, c * by, d * by, e * by, f * by


def times(x: Drops, y: Drops) -> Drops:
    """Class by class x·y."""
    a, b, c, d, e, f = x
    p, q, r, s, t, u = y
    return a * p, b * q, c * r, d * s, e * t, f * u


def times_by(x: Drops, y: Drops, by: float) -> Drops:
    """Class by class x·y·by."""
    a, b, c, d, e, f = x
    p, q, r, s, t, u = y
    return a * p * by, b * q * by, c * r * by, d * s * by, e * t * by, f * u * by


def less(x: Drops, y: Drops) -> Drops:
    """Class by class x − y."""
    a, b, c, d, e, f = x
    p, q, r, s, t, u = y
    return a - p, b - q, c - r, d - s, e - t, f - u


def blend(m: float, x: Drops, n: float, y: Drops) -> Drops:
    """Class by class m·x + n·y."""
    a, b, c, d, e, f = x
    p, q, r, s, t, u = y
    return m * a + n * p, m * b + n * q, m * c + n * r, m * d + n * s, m * e + n * t, m * f + n * u


def shifted(by: float, n: float, x: Drops) -> Drops:
    """Class by class by + n·x."""
    a, b, c, d, e, f = x
    return by + n * a, by + n * b, by + n * c, by + n * d, by + n * e, by + n * f


def mixed_and_lifted(volume: float, held: Drops, dt: float, comes: Drops, after: float, lifted: Drops) -> Drops:
    """Content of a mixed cell after a step, implicit in what rises: (volume·held + dt·comes)/(after + dt·lifted)."""
    a, b, c, d, e, f = held
    p, q, r, s, t, u = comes
    g, h, i, j, k, m = lifted
    return (
        (volume * a + dt * p) / (after + dt * g), (volume * b + dt * q) / (after + dt * h),
        (volume * c + dt * r) / (after + dt * i), (volume * d + dt * s) / (after + dt * j),
        (volume * e + dt * t) / (after + dt * k), (volume * f + dt * u) / (after + dt * m),
    )  # fmt: skip


def dot(x: Drops, y: Drops) -> float:
    """Sum of x·y over the classes."""
    a, b, c, d, e, f = x
    p, q, r, s, t, u = y
    return a * p + b * q + c * r + d * s + e * t + f * u


def sheared(oil: Drops, share: float) -> Drops:
    """``oil`` with ``share`` of every class but the finest torn to the next finer one."""
    a, b, c, d, e, f = oil
    kept = 1.0 - share
    return (
        a + share * b, b * kept + share * c, c * kept + share * d, d * kept + share * e, e * kept + share * f, f * kept
    )  # fmt: skip


def droplet_shares(median: float, spread: float) -> Drops:
    """Mass share of each class of DIAMETERS for a log-normal spray of droplets; sums to 1.

    ``median`` by mass in m, ``spread`` the standard deviation of ln(diameter).
    """
    edges = [math.sqrt(a * b) for a, b in pairwise(DIAMETERS)]
    below = [0.5 * (1 + math.erf(math.log(edge / median) / (spread * math.sqrt(2)))) for edge in edges]
    a, b, c, d, e, f = (high - low for low, high in pairwise([0.0, *below, 1.0]))
    return a, b, c, d, e, f
