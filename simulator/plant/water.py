"""The water being treated: what runs in a pipe, and the properties of brine and crude."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from simulator.plant.drops import NO_DROPS, Drops, blend
from skidhand import brine

CALCIUM_HEAVIER: Final = 0.13
CALCIUM_THICKER: Final = 1.1
"""Of CaCl2 against NaCl at equal mass fraction w: density 1 + 0.13·w, viscosity exp(1.1·w).

Through 20 % at 20 °C: 1177 against 1148 kg/m³ and 1.93 against 1.56 mPa·s (CRC Handbook, from memory).
"""

_COLDEST, _HOTTEST, _STEP = 0.0, 90.0, 0.25
_LAST = round((_HOTTEST - _COLDEST) / _STEP)
_SALT_STEP = 10.0  # g/L between two tables
_SALTIEST = 310.0  # g/L, just below what skidhand.brine covers
_Table = tuple[list[float], list[float]]


@dataclass(slots=True)
class Stream:
    """Water in a pipe: ``flow`` m³/h, ``oil`` mg/L per droplet class, ``solids`` mg/L, ``salt`` g/L."""

    flow: float = 0.0
    oil: Drops = NO_DROPS
    solids: float = 0.0
    salt: float = 0.0

    def part(self, flow: float) -> Stream:
        """``flow`` m³/h of the same water."""
        return Stream(flow, self.oil, self.solids, self.salt)


DRY: Final = Stream()
"""An empty pipe. One for all, since most pipes that may be empty are: never change it."""


def added(numbers: Iterable[float]) -> float:
    """Their sum, from the first to the last: since Python 3.12 the last digit of sum() is another."""
    whole = 0.0
    for number in numbers:
        whole += number
    return whole


def mixed(*streams: Stream) -> Stream:
    """All of the ``streams`` in one pipe."""
    flow = added([s.flow for s in streams])
    if flow <= 0.0:
        return Stream()
    oil, solids, salt = NO_DROPS, 0.0, 0.0
    for s in streams:
        share = s.flow / flow
        oil = blend(1.0, oil, share, s.oil)
        solids += share * s.solids
        salt += share * s.salt
    return Stream(flow, oil, solids, salt)


class Brine:
    """Density and viscosity of the pad's brine and its crude, looked up by temperature and salt.

    Tables with 0.25 °C spacing keep a plant step cheap; linear interpolation in one is within 2e-5 of
    :mod:`skidhand.brine`. Other salinities than the usual lie between two tables 10 g/L apart.
    ``calcium`` is the share of the salt that is calcium chloride.
    """

    def __init__(self, grams_per_litre: float, oil_api_gravity: float, calcium: float = 0.0) -> None:
        self.salt = grams_per_litre
        self._calcium = calcium
        self.mass_fraction = float(brine.mass_fraction(grams_per_litre))
        self.oil_density = float(brine.oil_density(oil_api_gravity))
        self._usual = _table(self.mass_fraction, calcium)

    def at(self, celsius: float, salt: float | None = None) -> tuple[float, float]:
        """(density kg/m³, viscosity mPa·s) at ``celsius``, held at the ends of 0 to 90 °C and 0 to 310 g/L."""
        place = 0.0 if celsius < _COLDEST else (celsius - _COLDEST) / _STEP
        left = int(place)
        if left >= _LAST:
            left, place = _LAST - 1, float(_LAST)
        share = place - left
        if salt is None or abs(salt - self.salt) < 1e-6:
            return _between(self._usual, left, share)
        saltiness = 0.0 if salt < 0.0 else min(salt, _SALTIEST - 1e-9) / _SALT_STEP
        below = int(saltiness)
        weight = saltiness - below
        tables = _salted(self._calcium)
        density, viscosity = _between(tables[below], left, share)
        higher, thicker = _between(tables[below + 1], left, share)
        return density + weight * (higher - density), viscosity + weight * (thicker - viscosity)


@cache
def _salted(calcium: float) -> list[_Table]:
    """Tables of every tenth g/L up to the saltiest, which all skids share."""
    salts = [number * _SALT_STEP for number in range(round(_SALTIEST / _SALT_STEP) + 1)]
    return [_table(float(brine.mass_fraction(salt)), calcium) for salt in salts]


def _table(mass_fraction: float, calcium: float) -> _Table:
    grid = np.arange(_COLDEST, _HOTTEST + _STEP, _STEP)
    heavier = 1.0 + CALCIUM_HEAVIER * calcium * mass_fraction
    thicker = np.exp(CALCIUM_THICKER * calcium * mass_fraction)
    density, viscosity = brine.density(mass_fraction, grid), brine.viscosity(mass_fraction, grid)
    return (density * heavier).tolist(), (viscosity * thicker).tolist()


def _between(table: _Table, left: int, share: float) -> tuple[float, float]:
    density, viscosity = table
    light, thin = density[left], viscosity[left]
    return light + share * (density[left + 1] - light), thin + share * (viscosity[left + 1] - thin)
