"""Media filter: Ergun's clean bed, blocking by what it catches, and washing.

Clean bed ΔP/L = 150 µ(1−ε)²v/(ε³d²) + 1.75 ρ(1−ε)v²/(ε³d) (Ergun 1952). Deposit multiplies it by a
blocking law at constant flow (Hermia 1982, from memory). A wash carries the loose deposit out; a weak
wash leaves a share of it bound to the grains, and each good wash takes most of the bound part again.
A crack passes its share of the water untreated and without drop; a bed that has lost depth passes the
power (1 − loss) of what the whole bed would, as first-order capture along the depth gives.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import ClassVar, Literal, NamedTuple

from simulator.plant.conditions import Conditions
from simulator.plant.drops import COALESCED, NO_DROPS, Drops, blend, less, times_by, total
from simulator.plant.ledger import Stock
from simulator.plant.water import Stream

Law = Literal["complete", "standard", "intermediate", "cake"]

CAPTURE: Drops = (0.35, 0.55, 0.8, 0.93, 0.98, 1.0)  # share of each droplet class (common practice)
SOLIDS_CAPTURE = 0.9
SATURATED = 0.85  # share of its capture that a bed full of oil has lost (common practice, no source)
BOUND_FREED = 0.6  # share of bound deposit that a good wash frees (common practice, no source)
GOOD_WASH = 0.99
LIFTS = 0.5  # share of the wash rate from which the bed is lifted (common practice, no source)
SHED = 0.5  # share of the deposit's solids that a broken underdrain lets go in an hour
BROKEN = 0.4  # share of the flow that a broken underdrain lets by


class Deposit(NamedTuple):
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


NOTHING = Deposit()


@dataclass(slots=True)
class MediaFilter:
    """``area`` m², ``depth`` m, ``grain`` m, ``voids``; ``capacity`` g of deposit per unit of x."""

    design_flow: float
    area: float
    capacity: float
    depth: float = 1.2
    grain: float = 0.5e-3
    voids: float = 0.40
    law: Law = "cake"
    automatic: bool = False
    nozzle_dp: float = 2.0  # kPa of underdrain and nozzles at design flow
    outlet_pressure: float = 70.0
    wash_rate: float = 29.3  # m/h (12 gpm/ft²)
    wash_minutes: int = 10
    loose: Deposit = NOTHING
    bound: Deposit = NOTHING
    saturation: float = 0.0  # share of the bed's room for oil that is taken
    washing: int = 0  # minutes of wash still to go
    leaving: Deposit = NOTHING  # with each minute's wash water
    to_leave: int = 0  # minutes for which it still leaves
    loaded: tuple[float, float] = (0.0, 1.0)  # dp and resistance when the last wash began
    wash_flow: float = 0.0  # m³/h in the present step
    flow: float = 0.0
    dp: float = 0.0
    temperature: float = 25.0
    oil_out: Drops = NO_DROPS
    solids_out: float = 0.0
    total: float = 0.0
    wash_total: float = 0.0
    local: bool = False  # the controller has been left in local

    ROLES: ClassVar[tuple[str, ...]] = (
        "flow", "dp", "inlet_pressure", "outlet_pressure", "temperature", "outlet_oil", "outlet_turbidity",
        "backwash", "backwash_mode", "backwash_flow", "backwash_total",
    )  # fmt: skip

    @property
    def resistance(self) -> float:
        """R: pressure drop of the bed over that of the clean bed."""
        loose, bound = self.loose, self.bound
        return blocking(self.law, (loose.oil + loose.solids + (bound.oil + bound.solids)) / self.capacity)

    def coefficients(self, density: float, viscosity: float, now: Conditions) -> tuple[float, float]:
        """(a, b): the drop is a·q + b·q² kPa at q m³/h with the present deposit."""
        whole = (1.0 - now.cracks) / self.area
        depth = self.depth * (1.0 - now.media_lost)
        linear, square = ergun_terms(density, viscosity, self.voids, self.grain, depth)
        resistance = self.resistance
        nozzles = self.nozzle_dp * (1.0 - 0.9 * now.underdrain_open) * density / 1000.0 / self.design_flow**2
        loss = 1.0 - 0.5 * now.underdrain_open
        return resistance * linear * whole * loss, resistance * square * whole**2 * loss + nozzles

    def start_wash(self, now: Conditions) -> None:
        """Begin a backwash of ``wash_minutes``; what it will take out is settled here."""
        self.loaded = self.dp, self.resistance
        self.washing = self.to_leave = self.wash_minutes
        strength = GOOD_WASH * now.wash_strength
        freed = BOUND_FREED if now.wash_strength >= 1.0 else 0.0
        taken = NOTHING.plus(self.loose, strength).plus(self.bound, freed)
        self.bound = NOTHING.plus(self.bound, 1.0 - freed).plus(self.loose, 1.0 - strength)
        self.loose = NOTHING
        self.leaving = NOTHING.plus(taken, 1.0 / self.wash_minutes)
        self.saturation *= 1.0 - now.wash_strength

    def step(self, dt: float, feed: Stream, flow: float, dp: float, celsius: float, now: Conditions) -> Stream:
        """Filter ``flow`` of the ``feed`` at the drop ``dp`` (kPa) for ``dt`` hours; gives the filtered water."""
        self.flow, self.temperature, self.dp, self.local = flow, celsius, dp, now.wash_blocked
        if flow > 0.0:
            if now.saturating:
                self.saturation = min(1.0, self.saturation + now.saturating * dt)
            by = min(1.0, now.cracks + BROKEN * now.underdrain_open)
            held = (1.0 - SATURATED * self.saturation) * (1.0 - by)
            depth = 1.0 - now.media_lost
            share, solids_share = CAPTURE, SOLIDS_CAPTURE
            if depth < 1.0:
                share = _thinner(depth)
                solids_share = 1.0 - (1.0 - SOLIDS_CAPTURE) ** depth
            caught = times_by(feed.oil, share, held)
            solids = feed.solids * solids_share * (1.0 - by)
            shed = now.underdrain_open * SHED * self.loose.solids
            self.loose = Deposit(
                self.loose.oil + total(caught) * flow * dt, self.loose.solids + (solids * flow - shed) * dt
            )
            self.oil_out = less(feed.oil, caught)
            self.solids_out = feed.solids - solids + shed / flow
        self.total += flow * dt
        return Stream(flow, self.oil_out, self.solids_out, feed.salt)

    def wash_step(self, dt: float, water: Stream, now: Conditions) -> Stream:
        """Wash for one step with as much ``water`` as there is; gives the wash water that leaves.

        Too little water lifts no bed, and what it would have taken stays.
        """
        if self.washing > 1 or not now.wash_endless:
            self.washing -= 1
        wanted = self.wash_rate * self.area
        self.wash_flow = min(wanted, water.flow)
        volume = self.wash_flow * dt
        self.wash_total += volume
        if self.wash_flow < LIFTS * wanted:
            if self.washing == 0:
                self.loose, self.to_leave = self.loose.plus(self.leaving, self.to_leave), 0
            return water.part(self.wash_flow)
        if self.to_leave == 0:
            return water.part(self.wash_flow)
        self.to_leave -= 1
        oil = self.leaving.oil / volume
        return Stream(
            self.wash_flow,
            blend(1.0, water.oil, oil, COALESCED),
            water.solids + self.leaving.solids / volume,
            water.salt,
        )

    def held(self) -> Stock:
        """What lies on the grains, and what is still to leave with wash water."""
        still = NOTHING.plus(self.loose).plus(self.bound).plus(self.leaving, self.to_leave)
        return Stock(oil=still.oil, solids=still.solids)

    @property
    def washed_oil(self) -> float:
        """Oil that the last wash has taken off the grains, or is taking, g."""
        return self.leaving.oil * self.wash_minutes

    @property
    def outlet_oil(self) -> float:
        """Oil in the filtered water, mg/L."""
        return total(self.oil_out)

    @property
    def back_pressure(self) -> float:
        """Pressure behind the bed, kPa; a stopped line bleeds down."""
        return self.outlet_pressure * min(1.0, 5.0 * self.flow / self.design_flow)

    def readings(self) -> tuple[float, ...]:
        """Values in the order of ROLES: m³/h, kPa ×3, °C, mg/L, NTU, 0/1, 0/1, m³/h, m³."""
        outlet, oil = self.back_pressure, total(self.oil_out)
        return (
            self.flow, self.dp, outlet + self.dp, outlet, self.temperature, oil,
            turbidity(self.solids_out, oil), 1.0 if self.wash_flow > 0.0 else 0.0,
            1.0 if self.automatic and not self.local else 0.0, self.wash_flow, self.wash_total,
        )  # fmt: skip


def _thinner(depth: float) -> Drops:
    """What is left of CAPTURE in a bed with the share ``depth`` of its depth."""
    a, b, c, d, e, f = (1.0 - (1.0 - share) ** depth for share in CAPTURE)
    return a, b, c, d, e, f


def turbidity(solids: float, oil: float) -> float:
    """NTU; it follows both solids and oil, mg/L (common practice, no source)."""
    return 0.8 * solids + 0.3 * oil


def ergun_terms(density: float, viscosity: float, voids: float, grain: float, depth: float) -> tuple[float, float]:
    """(linear, square): a clean bed's drop is linear·v + square·v² kPa at v m/h (Ergun 1952).

    ``density`` kg/m³, ``viscosity`` mPa·s, ``grain`` and ``depth`` m.
    """
    solid, pores_fine, pores = _pores(voids, grain)
    laminar = 150.0 * viscosity * 1e-3 * solid**2 / pores_fine
    turbulent = 1.75 * density * solid / pores
    return laminar * depth / 3.6e6, turbulent * depth / (3600.0**2 * 1000.0)


@cache
def _pores(voids: float, grain: float) -> tuple[float, float, float]:
    """What Ergun's law needs of a bed, which stays as it is: 1 − ε, ε³d², ε³d."""
    return 1.0 - voids, voids**3 * grain**2, voids**3 * grain


def ergun(velocity: float, density: float, viscosity: float, voids: float, grain: float, depth: float) -> float:
    """Clean bed pressure drop, kPa, at ``velocity`` m/h over the empty vessel."""
    linear, square = ergun_terms(density, viscosity, voids, grain, depth)
    return linear * velocity + square * velocity**2


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
