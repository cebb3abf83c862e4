"""Gas flotation with metals precipitation ahead of it.

Each dispersed-gas cell takes about half of the oil that reaches it (Arnold and Stewart, Surface
Production Operations: 50 % a cell, so 87 % in three and 94 % in four). The dose of caustic sets the pH:
a first-order lag of the mixing tank towards 7.2 without and 9.5 with the normal dose, up to 11. Below
pH 9 metals stay dissolved and come out as haze later (pH of least solubility of iron and zinc hydroxide
near 9 to 10); how much haze is common practice without a source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import ClassVar

from simulator.plant.conditions import Conditions
from simulator.plant.drops import NO_DROPS, Drops, blend, scaled, total
from simulator.plant.media_filter import turbidity
from simulator.plant.water import Stream

PER_CELL = 0.5
WITHOUT_GAS = 0.06  # a still cell skims little
FLOAT = 0.015  # share of the water that goes with the float (common practice, no source)
SOLIDS_PER_CELL = 0.35
PH_ALONE, PH_DOSED, PH_MOST = 7.2, 9.5, 11.0
MIXING = 8.0 / 60.0  # h
HAZE = 25.0  # NTU when nothing precipitates


@dataclass(slots=True)
class Flotation:
    """``cells`` in a row; ``recycle`` kPa of the gas-saturated recycle."""

    cells: int = 3
    recycle: float = 400.0
    flow: float = 0.0
    pressure: float = 0.0
    ph: float = PH_DOSED
    oil_out: Drops = NO_DROPS
    haze: float = 0.0
    solids_out: float = 0.0

    ROLES: ClassVar[tuple[str, ...]] = ("flow", "recycle_pressure", "ph", "orp", "outlet_oil", "outlet_turbidity")

    def step(self, dt: float, feed: Stream, dose: float, now: Conditions) -> tuple[Stream, Stream]:
        """Float the ``feed`` with ``dose`` times the normal caustic; gives (water, float)."""
        self.flow = feed.flow
        self.pressure = self.recycle * (1.0 - 0.85 * now.gas_lost) * (1.0 if feed.flow > 0.0 else 0.0)
        if feed.flow <= 0.0:
            return Stream(0.0, self.oil_out, feed.solids, feed.salt), Stream()
        aim = min(PH_MOST, PH_ALONE + (PH_DOSED - PH_ALONE) * dose)
        self.ph += (aim - self.ph) * _share_mixed(dt)
        self.haze = HAZE / (1.0 + math.exp(4.0 * (self.ph - 8.6)))
        gas = 1.0 - now.gas_lost
        kept = (1.0 - (WITHOUT_GAS + (PER_CELL - WITHOUT_GAS) * gas)) ** self.cells
        solids_kept = (1.0 - SOLIDS_PER_CELL * (0.3 + 0.7 * gas)) ** self.cells
        solids_kept = min(1.0, solids_kept * (1.0 + max(0.0, dose - 1.5)))  # floc that will not float
        away = FLOAT * feed.flow
        left = feed.flow - away
        self.oil_out = scaled(feed.oil, kept)
        self.solids_out = feed.solids * solids_kept
        oil = scaled(blend(feed.flow, feed.oil, -left, self.oil_out), 1.0 / away)
        solids = (feed.flow * feed.solids - left * self.solids_out) / away
        water = Stream(left, self.oil_out, self.solids_out, feed.salt)
        return water, Stream(away, oil, solids, feed.salt)

    def readings(self) -> tuple[float, ...]:
        """Values in the order of ROLES: m³/h, kPa, pH, mV, mg/L, NTU."""
        oil = total(self.oil_out)
        orp = 250.0 - 60.0 * (self.ph - PH_DOSED)  # falls 59 mV a pH unit where hydrogen ions take part (Nernst)
        return self.flow, self.pressure, self.ph, orp, oil, turbidity(self.solids_out, oil) + self.haze


@cache
def _share_mixed(dt: float) -> float:
    """Part of the way to its aim that the pH goes in a step."""
    return 1.0 - math.exp(-dt / MIXING)
