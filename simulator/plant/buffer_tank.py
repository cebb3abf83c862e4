"""Plain tanks: treated water on its way out, and skimmed oil that waits for a truck."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from simulator.plant.conditions import Conditions
from simulator.plant.drops import NO_DROPS, Drops, blend, total
from simulator.plant.ledger import Stock
from simulator.plant.osmosis import conductivity
from simulator.plant.water import DRY, Stream

REMEMBERS = 6.0  # h over which the take-away follows what comes
STIFF = 2.0  # relative change of the take-away per relative change of level
FULL, ROOM_AGAIN = 0.97, 0.85  # shares of the height at which the skid is stopped and may run again
LIP = 0.05  # m of water that the outlet does not reach
TRUCK_AT, TRUCK_TO, TRUCK_FLOW = 0.75, 0.15, 30.0  # shares of height; m³/h

ROLES = ("level", "inlet_flow", "outlet_flow", "temperature", "density", "conductivity")


@dataclass(slots=True)
class BufferTank:
    """``area`` m², ``height`` m; mixed; its take-away keeps the level at half of the height."""

    area: float
    height: float
    salt: float
    usual: float  # m³/h that come on a quiet day
    volume: float = 0.0
    oil: Drops = NO_DROPS
    solids: float = 0.0
    inflow: float = 0.0
    outflow: float = 0.0
    temperature: float = 25.0
    density: float = 1000.0
    full: bool = False  # nothing more should be sent

    ROLES: ClassVar[tuple[str, ...]] = ROLES

    def __post_init__(self) -> None:
        self.volume = self.volume or 0.5 * self.height * self.area

    @property
    def level(self) -> float:
        """m above the bottom."""
        return self.volume / self.area

    def water(self, flow: float) -> Stream:
        """``flow`` m³/h of what is in the tank."""
        return Stream(flow, self.oil, self.solids, self.salt)

    def to_give(self, dt: float) -> float:
        """m³/h that can be drawn for ``dt`` hours: below the outlet's lip nothing runs out."""
        return max(0.0, self.volume - LIP * self.area) / dt

    def step(
        self, dt: float, feed: Stream, wash: float, density: float, celsius: float, now: Conditions
    ) -> tuple[Stream, Stream]:
        """Take ``feed``, give ``wash`` m³/h, at most :meth:`to_give`, for backwashing.

        Gives (what leaves, what leaks and overflows).
        """
        rim = self.area * self.height
        self.usual += (feed.flow - self.usual) * dt / REMEMBERS
        wanted = now.takeaway * self.usual * max(0.0, 1.0 + STIFF * (self.level / (0.5 * self.height) - 1.0))
        reach = self.to_give(dt) - wash
        self.outflow = wanted if wanted < reach else max(0.0, reach)
        leak = min(now.leak * rim, max(0.0, reach - self.outflow)) if now.leak else 0.0
        after = self.volume + (feed.flow - self.outflow - wash - leak) * dt
        over = (after - rim) / dt if after > rim else 0.0
        passed = after + (self.outflow + wash + leak) * dt
        new, old = feed.flow * dt / passed, self.volume / passed
        self.oil = blend(old, self.oil, new, feed.oil)
        self.solids = old * self.solids + new * feed.solids
        self.salt = old * self.salt + new * feed.salt
        self.temperature += (celsius - self.temperature) * new
        self.inflow, self.volume, self.density = feed.flow, after - over * dt, density
        self.full = self.level > (ROOM_AGAIN if self.full else FULL) * self.height
        return self.water(self.outflow), self.water(leak + over) if leak or over else DRY

    def held(self) -> Stock:
        """What is in the tank."""
        return Stock(self.volume, total(self.oil) * self.volume, self.solids * self.volume, self.salt * self.volume)

    def readings(self) -> tuple[float, ...]:
        """Values in the order of ROLES: m, m³/h ×2, °C, kg/m³, mS/cm."""
        return (
            self.level, self.inflow, self.outflow, self.temperature, self.density,
            conductivity(self.salt, self.density, self.temperature),
        )  # fmt: skip


@dataclass(slots=True)
class OilTank:
    """Skimmed oil; a truck takes it away when the tank is three quarters full."""

    area: float
    height: float
    oil_density: float
    volume: float = 0.0
    inflow: float = 0.0
    outflow: float = 0.0
    temperature: float = 25.0
    truck: bool = False

    ROLES: ClassVar[tuple[str, ...]] = ROLES

    def __post_init__(self) -> None:
        self.volume = self.volume or 0.3 * self.height * self.area

    @property
    def level(self) -> float:
        """m above the bottom."""
        return self.volume / self.area

    def step(self, dt: float, oil: float, celsius: float, now: Conditions) -> float:
        """Take ``oil`` m³/h; gives what leaves by truck or over the rim, m³/h."""
        self.inflow = oil
        share = self.level / self.height
        self.truck = now.takeaway > 0.0 and (share > TRUCK_AT or (self.truck and share > TRUCK_TO))
        self.outflow = min(TRUCK_FLOW, oil + self.volume / dt) if self.truck else 0.0
        self.volume += (oil - self.outflow) * dt
        over = max(0.0, self.volume - self.area * self.height)
        self.volume -= over
        self.temperature += (celsius - self.temperature) * dt / 12.0
        return self.outflow + over / dt

    def held(self) -> Stock:
        """What is in the tank."""
        return Stock(oil=self.volume * self.oil_density * 1000.0)

    def readings(self) -> tuple[float, ...]:
        """Values in the order of ROLES: m, m³/h ×2, °C, kg/m³, mS/cm."""
        return self.level, self.inflow, self.outflow, self.temperature, self.oil_density, 0.0
