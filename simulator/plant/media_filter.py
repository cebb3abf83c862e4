"""Media filter: Ergun's clean bed, blocking by what it catches, and washing.

Clean bed ΔP/L = 150 µ(1−ε)²v/(ε³d²) + 1.75 ρ(1−ε)v²/(ε³d) (Ergun 1952). Deposit multiplies it by a
blocking law at constant flow (Hermia 1982, from memory). A wash carries the loose deposit out; a weak
wash leaves a share of it bound to the grains, and each good wash takes most of the bound part again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import ClassVar, Literal

import numpy as np

from simulator.plant.conditions import Conditions
from simulator.plant.water import DIAMETERS, Floats, total

Law = Literal["complete", "standard", "intermediate", "cake"]

CAPTURE = np.array([0.35, 0.55, 0.8, 0.93, 0.98, 1.0])  # share of each droplet class (common practice)
PASSED = 1.0 - CAPTURE
SOLIDS_CAPTURE = 0.9
BOUND_FREED = 0.6  # share of bound deposit that a good wash frees (common practice, no source)
GOOD_WASH = 0.99


@dataclass(frozen=True, slots=True)
class Deposit:
    """What lies on the grains, or leaves them: g of oil and of solids."""

    oil: float = 0.0
    solids: float = 0.0

    @property
    def mass(self) -> float:
        """Oil and solids together, g."""
        return self.oil + self.solids

    def plus(self, other: Deposit, share: float = 1.0) -> Deposit:
        """This and ``share`` of the other."""
        return Deposit(self.oil + share * other.oil, self.solids + share * other.solids)


@dataclass
class MediaFilter:
    """``area`` m², ``depth`` m, ``grain`` m, ``voids``; ``capacity`` g of deposit per unit of x."""

    design_flow: float
    area: float
    capacity: float
    depth: float = 1.2
    grain: float = 0.5e-3
    voids: float = 0.40
    law: Law = "cake"
    nozzle_dp: float = 2.0  # kPa of underdrain and nozzles at design flow
    outlet_pressure: float = 70.0
    wash_rate: float = 29.3  # m/h (12 gpm/ft²)
    wash_minutes: int = 10
    loose: Deposit = Deposit()
    bound: Deposit = Deposit()
    washing: int = 0  # minutes of wash still to go
    leaving: Deposit = Deposit()  # with each minute's wash water
    wash_flow: float = 0.0  # m³/h in the present step
    flow: float = 0.0
    dp: float = 0.0
    temperature: float = 25.0
    oil_out: Floats = field(default_factory=lambda: np.zeros(len(DIAMETERS)))
    solids_out: float = 0.0
    total: float = 0.0
    wash_total: float = 0.0

    ROLES: ClassVar = (
        "flow", "dp", "inlet_pressure", "outlet_pressure", "temperature", "outlet_oil", "outlet_turbidity",
        "backwash", "backwash_flow", "backwash_total",
    )  # fmt: skip

    @property
    def resistance(self) -> float:
        """R: pressure drop of the bed over that of the clean bed."""
        return blocking(self.law, (self.loose.mass + self.bound.mass) / self.capacity)

    def pressure_drop(self, flow: float, density: float, viscosity: float) -> float:
        """kPa at ``flow`` m³/h with the present deposit."""
        bed = ergun(flow / self.area, density, viscosity, self.voids, self.grain, self.depth)
        return self.resistance * bed + self.nozzle_dp * density / 1000.0 * (flow / self.design_flow) ** 2

    def start_wash(self, now: Conditions) -> None:
        """Begin a backwash of ``wash_minutes``; what it will take out is settled here."""
        self.washing = self.wash_minutes
        strength = GOOD_WASH * now.wash_strength
        freed = BOUND_FREED if now.wash_strength >= 1.0 else 0.0
        taken = Deposit().plus(self.loose, strength).plus(self.bound, freed)
        self.bound = Deposit().plus(self.bound, 1.0 - freed).plus(self.loose, 1.0 - strength)
        self.loose = Deposit()
        self.leaving = Deposit().plus(taken, 1.0 / self.wash_minutes)

    def step(
        self, dt: float, flow: float, oil: Floats, solids: float, density: float, mu: float, celsius: float
    ) -> None:
        """Filter ``flow`` m³/h (oil mg/L per class, solids mg/L) for ``dt`` hours; zero while washing."""
        self.flow, self.temperature = flow, celsius
        self.dp = self.pressure_drop(flow, density, mu)
        if flow > 0.0:
            caught = Deposit(float(oil @ CAPTURE), solids * SOLIDS_CAPTURE)
            self.loose = self.loose.plus(caught, flow * dt)
            self.oil_out = oil * PASSED
            self.solids_out = solids * (1.0 - SOLIDS_CAPTURE)
        self.total += flow * dt

    def wash_step(self) -> float:
        """Wash for one minute, if a wash is on; gives the oil that leaves with the wash water, g."""
        if self.washing == 0:
            self.wash_flow = 0.0
            return 0.0
        self.washing -= 1
        self.wash_flow = self.wash_rate * self.area
        self.wash_total += self.wash_flow / 60.0
        return self.leaving.oil

    def held_oil(self) -> float:
        """Oil on the grains and in wash water still to leave, g."""
        return self.loose.oil + self.bound.oil + self.leaving.oil * self.washing

    @property
    def washed_oil(self) -> float:
        """Oil that the last wash has taken off the grains, or is taking, g."""
        return self.leaving.oil * self.wash_minutes

    @property
    def outlet_oil(self) -> float:
        """Oil in the filtered water, mg/L."""
        return total(self.oil_out)

    @property
    def turbidity(self) -> float:
        """NTU of the filtered water; it follows both solids and oil (common practice, no source)."""
        return 0.8 * self.solids_out + 0.3 * self.outlet_oil

    @property
    def back_pressure(self) -> float:
        """Pressure behind the bed, kPa; a stopped line bleeds down."""
        return self.outlet_pressure * min(1.0, 5.0 * self.flow / self.design_flow)

    def readings(self) -> tuple[float, ...]:
        """Values in the order of ROLES: m³/h, kPa ×3, °C, mg/L, NTU, 0/1, m³/h, m³."""
        outlet = self.back_pressure
        return (
            self.flow, self.dp, outlet + self.dp, outlet, self.temperature, self.outlet_oil, self.turbidity,
            1.0 if self.wash_flow > 0.0 else 0.0, self.wash_flow, self.wash_total,
        )  # fmt: skip


def ergun(velocity: float, density: float, viscosity: float, voids: float, grain: float, depth: float) -> float:
    """Clean bed pressure drop, kPa (Ergun 1952).

    ``velocity`` m/h over the empty vessel, ``density`` kg/m³, ``viscosity`` mPa·s, ``grain`` and ``depth`` m.
    """
    v = velocity / 3600.0
    laminar = 150.0 * viscosity * 1e-3 * (1.0 - voids) ** 2 * v / (voids**3 * grain**2)
    turbulent = 1.75 * density * (1.0 - voids) * v**2 / (voids**3 * grain)
    return (laminar + turbulent) * depth / 1000.0


def blocking(law: Law, x: float) -> float:
    """DP/DP0 at constant flow, x = k·V (Hermia 1982): 1/(1−x), (1−x/2)⁻², eˣ or 1+x."""
    match law:
        case "complete":
            return 1.0 / (1.0 - min(x, 0.95))
        case "standard":
            return (1.0 - min(x, 1.9) / 2.0) ** -2
        case "intermediate":
            return math.exp(min(x, 5.0))
        case "cake":
            return 1.0 + x
