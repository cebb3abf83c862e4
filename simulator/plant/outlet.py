"""Outlet: meters what leaves, or sends it back to the head while it is diverted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from simulator.plant.drops import NO_DROPS, Drops, total
from simulator.plant.media_filter import turbidity
from simulator.plant.osmosis import conductivity
from simulator.plant.water import Stream


@dataclass(slots=True)
class Outlet:
    """The last reading stands while nothing flows."""

    flow: float = 0.0
    total: float = 0.0
    diverted: bool = False
    oil: Drops = NO_DROPS
    solids: float = 0.0
    haze: float = 0.0
    salt: float = 0.0
    density: float = 1000.0
    celsius: float = 25.0

    ROLES: ClassVar[tuple[str, ...]] = ("flow", "total", "divert", "oil", "turbidity", "density", "conductivity")

    def step(self, dt: float, water: Stream, density: float, celsius: float, haze: float, diverted: bool) -> None:
        """Let ``water`` pass; only what leaves is counted."""
        self.flow, self.diverted, self.density, self.celsius = water.flow, diverted, density, celsius
        if not diverted:
            self.total += water.flow * dt
        if water.flow > 0.0:
            self.oil, self.solids, self.salt, self.haze = water.oil, water.solids, water.salt, haze

    def readings(self) -> tuple[float, ...]:
        """Values in the order of ROLES: m³/h, m³, 0/1, mg/L, NTU, kg/m³, mS/cm."""
        oil = total(self.oil)
        return (
            self.flow, self.total, float(self.diverted), oil, turbidity(self.solids, oil) + self.haze, self.density,
            conductivity(self.salt, self.density, self.celsius),
        )  # fmt: skip
