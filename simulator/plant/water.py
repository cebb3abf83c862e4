"""The water being treated: brine and oil properties by temperature, and oil as droplet sizes."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from skidhand import brine

Floats = npt.NDArray[np.float64]

DIAMETERS: Final[Floats] = np.array([5.0, 10.0, 20.0, 40.0, 80.0, 160.0]) * 1e-6
"""Middle of each droplet class, m; each is twice the one before."""

COALESCED: Final[Floats] = np.array([0.0, 0.0, 0.02, 0.08, 0.3, 0.6])
"""Sizes of oil that comes back with reject or wash water, where it has run together (common practice, no source)."""

_ONES: Final = np.ones(len(DIAMETERS))

_COLDEST, _HOTTEST, _STEP = 0.0, 90.0, 0.25


class Brine:
    """Density and viscosity of one brine and its crude, looked up by temperature.

    A table with 0.25 °C spacing keeps a plant step cheap; linear interpolation in it is within 2e-5 of
    :mod:`skidhand.brine`.
    """

    def __init__(self, grams_per_litre: float, oil_api_gravity: float) -> None:
        self.mass_fraction = float(brine.mass_fraction(grams_per_litre))
        self.oil_density = float(brine.oil_density(oil_api_gravity))
        grid = np.arange(_COLDEST, _HOTTEST + _STEP, _STEP)
        self._density: list[float] = brine.density(self.mass_fraction, grid).tolist()
        self._viscosity: list[float] = brine.viscosity(self.mass_fraction, grid).tolist()

    def at(self, celsius: float) -> tuple[float, float]:
        """(density kg/m³, viscosity mPa·s) at ``celsius``, held at the ends of 0 to 90 °C."""
        place = (min(max(celsius, _COLDEST), _HOTTEST) - _COLDEST) / _STEP
        left = min(int(place), len(self._density) - 2)
        share = place - left
        density, viscosity = self._density, self._viscosity
        return (
            density[left] + share * (density[left + 1] - density[left]),
            viscosity[left] + share * (viscosity[left + 1] - viscosity[left]),
        )


def droplet_shares(median: float, spread: float) -> Floats:
    """Mass share of each class of DIAMETERS for a log-normal spray of droplets; sums to 1.

    ``median`` by mass in m, ``spread`` the standard deviation of ln(diameter).
    """
    edges = np.sqrt(DIAMETERS[:-1] * DIAMETERS[1:])
    below = [0.5 * (1 + math.erf(math.log(edge / median) / (spread * math.sqrt(2)))) for edge in edges]
    return np.diff(np.array([0.0, *below, 1.0]))


def total(classes: Floats) -> float:
    """Sum over the droplet classes; a dot product is several times faster than ``sum`` on so few numbers."""
    return float(_ONES @ classes)
