"""The water that goes through a unit: its temperature, and viscosity and density relative to 25 °C."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from analytics.frame import F64, Block
from analytics.grid import last_index
from skidhand import brine
from skidhand.fleet import SkidView, UnitView

REFERENCE: Final = 25.0  # °C
_STEP: Final = 0.1  # °C: viscosity changes by 0.2 % over it


@dataclass(frozen=True)
class Water:
    """NaCl-equivalent brine of ``grams`` g/L; ``unit`` and ``tag`` tell whose thermometer is read, if any."""

    grams: float
    unit: str | None = None
    tag: str | None = None

    @property
    def viscosity0(self) -> float:
        """mPa·s at 25 °C."""
        return _viscosity(self.grams, REFERENCE)

    @property
    def density0(self) -> float:
        """kg/m³ at 25 °C."""
        return _density(self.grams, REFERENCE)

    def celsius(self, block: Block) -> F64:
        """The thermometer's minutes; NaN without one."""
        return np.full(len(block), np.nan) if self.unit is None else block.clean(self.unit, "temperature")

    def viscosity_ratio(self, celsius: float | None) -> float:
        """Viscosity over that at 25 °C; 1 where the temperature is not known."""
        return 1.0 if celsius is None else _viscosity(self.grams, _round(celsius)) / self.viscosity0

    def viscosity_ratios(self, celsius: F64) -> F64:
        """:meth:`viscosity_ratio` of each; 1 where NaN."""
        return _each(self.viscosity_ratio, celsius)

    def density_ratios(self, celsius: F64) -> F64:
        """:meth:`density_ratio` of each; 1 where NaN."""
        return _each(self.density_ratio, celsius)

    def density_ratio(self, celsius: float | None) -> float:
        """Density over that at 25 °C; 1 where the temperature is not known."""
        return 1.0 if celsius is None else _density(self.grams, _round(celsius)) / self.density0


def water_at(unit: UnitView, skid: SkidView) -> Water:
    """The water at ``unit``: its own thermometer, else the nearest upstream; salt as the fleet file says, else none."""
    grams = min(skid.tds or 0.0, brine.SATURATED_G_PER_L)
    for view in (unit, *(skid.by_id[name] for name in skid.before(unit.id))):
        if view.has("temperature"):
            return Water(grams, view.id, view.tags["temperature"])
    return Water(grams)


def forward(values: F64, before: float | None) -> F64:
    """``values`` with each NaN replaced by the last known one; ``before`` is known from earlier, if anything is."""
    known = last_index(np.isfinite(values))
    return np.where(known >= 0, values[np.maximum(known, 0)], np.nan if before is None else before)


def _each(ratio: Callable[[float | None], float], celsius: F64) -> F64:
    """``ratio`` of each temperature; few differ once they are rounded."""
    steps = np.where(np.isfinite(celsius), np.rint(celsius / _STEP), np.nan)
    different, place = np.unique(steps, return_inverse=True)
    found = [ratio(None if np.isnan(step) else float(step) * _STEP) for step in different]
    return np.array(found)[place]


def _round(celsius: float) -> float:
    return min(max(round(celsius / _STEP) * _STEP, 0.0), 100.0)


@lru_cache(maxsize=4096)
def _viscosity(grams: float, celsius: float) -> float:
    return float(brine.viscosity(brine.mass_fraction(grams), celsius))


@lru_cache(maxsize=4096)
def _density(grams: float, celsius: float) -> float:
    return float(brine.density(brine.mass_fraction(grams), celsius))
