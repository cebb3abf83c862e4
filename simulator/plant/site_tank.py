"""A tank that the skids of a site share: treated water that trucks fetch by the load, or a pump takes on.

Volumes add up. Density and conductivity mix by volume, which is good to a few per cent for brines that are alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import ClassVar, NamedTuple

from simulator.plant.buffer_tank import FULL, ROLES, ROOM_AGAIN
from simulator.plant.conditions import Conditions
from simulator.plant.water import added

TRUCK_FLOW = 60.0  # m³/h into a truck (common practice, no source)
TRUCK_WAY = 0.5  # h from the call of a truck until it loads (common practice, no source)
HEEL = 0.05  # m below which nothing runs out


class Water(NamedTuple):
    """What one skid delivers: m³/h, kg/m³, mS/cm, °C."""

    flow: float
    density: float
    conductivity: float
    celsius: float


@dataclass(slots=True)
class SiteTank:
    """``area`` m², ``height`` m, ``pumped`` m³/h; a truck of ``load`` m³ is called above the level ``call_at`` (m)."""

    area: float
    height: float
    volume: float
    pumped: float
    load: float
    call_at: float
    density: float = 1000.0
    conductivity: float = 0.0
    temperature: float = 25.0
    inflow: float = 0.0
    outflow: float = 0.0
    lost: float = 0.0  # m³ leaked or over the rim, in all
    full: bool = False
    wait: float = 0.0  # h until the truck that was called is there
    left: float = 0.0  # m³ that the truck which loads still takes
    under_way: bool = False
    trucks: list[int] = field(default_factory=list)  # minutes at which each left
    minute: int = 0

    ROLES: ClassVar[tuple[str, ...]] = ROLES

    @property
    def level(self) -> float:
        """m above the bottom."""
        return self.volume / self.area

    def step(self, dt: float, waters: Sequence[Water], now: Conditions) -> None:
        """Take what the skids deliver for ``dt`` hours, and let trucks, pump and leak have theirs."""
        self.minute += 1
        self.inflow = added(water.flow for water in waters)
        for water in waters:
            share = water.flow * dt / (self.volume + self.inflow * dt)
            self.density += share * (water.density - self.density)
            self.conductivity += share * (water.conductivity - self.conductivity)
            self.temperature += share * (water.celsius - self.temperature)
        reach = max(0.0, self.volume / dt - HEEL * self.area / dt + self.inflow)
        self.outflow = min(reach, now.takeaway * self.pumped + self._truck(dt, now))
        leak = min(reach - self.outflow, now.leak * self.area * self.height)
        after = self.volume + (self.inflow - self.outflow - leak) * dt
        self.volume = min(after, self.area * self.height)
        self.lost += leak * dt + after - self.volume
        self.full = self.level > (ROOM_AGAIN if self.full else FULL) * self.height

    def _truck(self, dt: float, now: Conditions) -> float:
        """m³/h into a truck. None sets out while nobody takes water away; one that loads is filled."""
        if not self.under_way:
            self.under_way = self.level > self.call_at and now.takeaway > 0.5
            self.wait, self.left = TRUCK_WAY, self.load
            return 0.0
        if self.wait > 0.0:
            self.wait -= dt
            return 0.0
        flow = min(TRUCK_FLOW, self.left / dt)
        self.left -= flow * dt
        if self.left < 1e-9:
            self.under_way = False
            self.trucks.append(self.minute)
        return flow

    def readings(self) -> tuple[float, ...]:
        """Values in the order of ROLES: m, m³/h ×2, °C, kg/m³, mS/cm."""
        return self.level, self.inflow, self.outflow, self.temperature, self.density, self.conductivity
