"""The water being treated: brine and oil properties, and oil as droplet sizes.

Droplets are plain sequences of floats, one a size class: on six numbers they are several times faster than
arrays, and every step of the plant handles dozens.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from skidhand import brine

Drops = Sequence[float]

DIAMETERS: Final = (5e-6, 10e-6, 20e-6, 40e-6, 80e-6, 160e-6)
"""Middle of each droplet class, m; each is twice the one before."""

NO_DROPS: Final[Drops] = (0.0,) * len(DIAMETERS)

COALESCED: Final[Drops] = (0.0, 0.0, 0.02, 0.08, 0.3, 0.6)
"""Sizes of oil that comes back with reject or wash water, where it has run together (common practice, no source)."""

CALCIUM_HEAVIER: Final = 0.13
CALCIUM_THICKER: Final = 1.1
"""Of CaCl2 against NaCl at equal mass fraction w: density 1 + 0.13·w, viscosity exp(1.1·w).

Through 20 % at 20 °C: 1177 against 1148 kg/m³ and 1.93 against 1.56 mPa·s (CRC Handbook, from memory).
"""

_COLDEST, _HOTTEST, _STEP = 0.0, 90.0, 0.25
_SALT_STEP = 10.0  # g/L between two tables
_SALTIEST = 310.0  # g/L, just below what skidhand.brine covers
_Table = tuple[list[float], list[float]]


@dataclass(slots=True)
class Stream:
    """Water in a pipe: ``flow`` m³/h, ``oil`` mg/L per droplet class, ``solids`` mg/L, ``salt`` g/L."""

    flow: float = 0.0
    oil: Drops = NO_DROPS  # never changed in place
    solids: float = 0.0
    salt: float = 0.0

    def part(self, flow: float) -> Stream:
        """``flow`` m³/h of the same water."""
        return Stream(flow, self.oil, self.solids, self.salt)


def mixed(*streams: Stream) -> Stream:
    """All of the ``streams`` in one pipe."""
    flow = sum(s.flow for s in streams)
    if flow <= 0.0:
        return Stream()
    shares = [s.flow / flow for s in streams]
    pairs = list(zip(shares, streams, strict=True))
    return Stream(
        flow,
        [sum(share * s.oil[i] for share, s in pairs) for i in range(len(DIAMETERS))],
        sum(share * s.solids for share, s in pairs),
        sum(share * s.salt for share, s in pairs),
    )


class Brine:
    """Density and viscosity of the pad's brine and its crude, looked up by temperature and salt.

    Tables with 0.25 °C spacing keep a plant step cheap; linear interpolation in one is within 2e-5 of
    :mod:`skidhand.brine`. Other salinities than the usual lie between two tables
    10 g/L apart. ``calcium`` is the share of the salt that is calcium chloride.
    """

    def __init__(self, grams_per_litre: float, oil_api_gravity: float, calcium: float = 0.0) -> None:
        self.salt = grams_per_litre
        self._calcium = calcium
        self.mass_fraction = float(brine.mass_fraction(grams_per_litre))
        self.oil_density = float(brine.oil_density(oil_api_gravity))
        self._usual = _table(self.mass_fraction, calcium)
        self._tables: dict[int, _Table] = {}

    def at(self, celsius: float, salt: float | None = None) -> tuple[float, float]:
        """(density kg/m³, viscosity mPa·s) at ``celsius``, held at the ends of 0 to 90 °C and 0 to 310 g/L."""
        place = (min(max(celsius, _COLDEST), _HOTTEST) - _COLDEST) / _STEP
        left = min(int(place), len(self._usual[0]) - 2)
        share = place - left
        if salt is None or abs(salt - self.salt) < 1e-6:
            return _between(self._usual, left, share)
        saltiness = min(max(salt, 0.0), _SALTIEST - 1e-9) / _SALT_STEP
        below = int(saltiness)
        low, high = (_between(self._salted(n), left, share) for n in (below, below + 1))
        weight = saltiness - below
        return low[0] + weight * (high[0] - low[0]), low[1] + weight * (high[1] - low[1])

    def _salted(self, number: int) -> _Table:
        if number not in self._tables:
            self._tables[number] = _table(float(brine.mass_fraction(number * _SALT_STEP)), self._calcium)
        return self._tables[number]


def _table(mass_fraction: float, calcium: float) -> _Table:
    grid = np.arange(_COLDEST, _HOTTEST + _STEP, _STEP)
    heavier = 1.0 + CALCIUM_HEAVIER * calcium * mass_fraction
    thicker = np.exp(CALCIUM_THICKER * calcium * mass_fraction)
    density, viscosity = brine.density(mass_fraction, grid), brine.viscosity(mass_fraction, grid)
    return (density * heavier).tolist(), (viscosity * thicker).tolist()


def _between(table: _Table, left: int, share: float) -> tuple[float, float]:
    density, viscosity = table
    return (
        density[left] + share * (density[left + 1] - density[left]),
        viscosity[left] + share * (viscosity[left + 1] - viscosity[left]),
    )


def droplet_shares(median: float, spread: float) -> Drops:
    """Mass share of each class of DIAMETERS for a log-normal spray of droplets; sums to 1.

    ``median`` by mass in m, ``spread`` the standard deviation of ln(diameter).
    """
    edges = [math.sqrt(a * b) for a, b in pairwise(DIAMETERS)]
    below = [0.5 * (1 + math.erf(math.log(edge / median) / (spread * math.sqrt(2)))) for edge in edges]
    marks = [0.0, *below, 1.0]
    return [b - a for a, b in pairwise(marks)]


def sheared(oil: Drops, share: float) -> Drops:
    """``oil`` with ``share`` of every class but the finest torn to the next finer one."""
    kept = [c * (1.0 - share) for c in oil]
    kept[0] = oil[0]
    for i in range(1, len(oil)):
        kept[i - 1] += share * oil[i]
    return kept
