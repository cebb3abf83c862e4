"""De-oiling hydrocyclone: pressure drop, reject split and which droplets it catches.

Pin − Pout = K·ρ·Q². The reject leaves through fixed ports: Qr = Cr·A·√((Pin − Prej)/ρ), so the pressure
drop ratio (Pin − Prej)/(Pin − Pout) does not see a plugged port while the reject flow does. Grade
efficiency 1 − exp(−ln 2·(d/d50)ⁿ) with n 2 (form of open cyclone simulators); d50 from the balance of
Stokes drift and swirl: ∝ √(µ/(Δρ·Q)). Weak swirl below a third of design flow and droplet shear above
1.5 times it raise d50 (direction after operating manuals; size common practice, no source).
A liner whose inlet is plugged is out of service: the others take its flow, and one reject port less is open.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

from simulator.plant.conditions import Conditions
from simulator.plant.drops import DIAMETERS, NO_DROPS, Drops, shifted, times_by, total
from simulator.plant.water import Stream

STARVING = 0.11  # exponent of the loss of efficiency below the design split (common practice, no source)
WORN_DROP, WORN_CUT, WORN_PORTS = 0.15, 0.5, 0.08  # of a worn liner: less drop, larger cut, wider ports


@dataclass(slots=True)
class Hydrocyclone:
    """Design point: ``design_flow`` m³/h, ``design_dp`` and ``outlet_pressure`` kPa, ``split``, ``pdr``."""

    design_flow: float
    design_dp: float = 207.0
    outlet_pressure: float = 207.0
    split: float = 0.03
    pdr: float = 1.7
    d50: float = 14e-6
    density: float = 1060.0
    density_difference: float = 225.0
    viscosity: float = 1.03
    flow: float = 0.0
    reject: float = 0.0
    inlet: float = 0.0
    outlet: float = 0.0
    reject_pressure: float = 0.0
    reject_total: float = 0.0
    oil_in: Drops = NO_DROPS
    oil_out: Drops = NO_DROPS
    oil_reject: Drops = NO_DROPS  # mg/L
    hunting: float = 0.0  # a random number of about 1 that gas makes felt

    ROLES: ClassVar[tuple[str, ...]] = (
        "inlet_flow", "inlet_pressure", "outlet_pressure", "reject_pressure", "reject_flow", "reject_total",
        "inlet_oil", "outlet_oil",
    )  # fmt: skip

    def pressures(self, flow: float, outlet: float, density: float, now: Conditions) -> None:
        """Set pressures (kPa) and reject flow (m³/h) for ``flow`` against the ``outlet`` pressure."""
        open_liners = 1.0 - now.liners_plugged
        swirl = 1.0 + 0.06 * now.gas_break_out * self.hunting
        drop = self.design_dp * (density / self.density) * (flow / self.design_flow / open_liners) ** 2 * swirl
        drop *= 1.0 - WORN_DROP * now.liner_wear
        held = self.outlet_pressure + self.design_dp * (1.0 - self.pdr + now.reject_back_pressure)
        # A stopped skid bleeds down: the reject line falls with the outlet.
        self.reject_pressure = held * min(1.0, outlet / self.outlet_pressure)
        self.flow, self.outlet, self.inlet = flow, outlet, outlet + drop
        area = now.reject_area * open_liners * (1.0 + WORN_PORTS * now.liner_wear)
        area *= max(0.3, 1.0 + 0.15 * now.gas_break_out * self.hunting)
        self.reject = self._reject_flow(density, area) if flow > 0.0 else 0.0

    def _reject_flow(self, density: float, area: float) -> float:
        driving = max(0.0, self.inlet - self.reject_pressure) / (self.pdr * self.design_dp)
        flow = self.split * self.design_flow * area * math.sqrt(driving * self.density / density)
        return min(flow, 0.5 * self.flow)

    def separate(
        self, dt: float, feed: Stream, density: float, oil_density: float, mu: float, now: Conditions
    ) -> tuple[Stream, Stream]:
        """Split the oil of the ``feed`` between (water outlet, reject) for the flows that are set."""
        self.reject_total += self.reject * dt
        if self.flow <= 0.0:
            return Stream(0.0, self.oil_out, feed.solids, feed.salt), Stream()
        split = self.reject / self.flow
        d50 = self.cut_size(density - oil_density, mu, now)
        starving = min(1.0, split / self.split) ** STARVING
        to_reject = shifted(split, (1.0 - split) * starving, grade_efficiency(DIAMETERS, d50))
        self.oil_in = feed.oil
        self.oil_reject = times_by(feed.oil, to_reject, 1.0 / split) if split else NO_DROPS
        if split == 0.0:
            to_reject = NO_DROPS
        self.oil_out = times_by(feed.oil, shifted(1.0, -1.0, to_reject), 1.0 / (1.0 - split))
        return (
            Stream(self.flow - self.reject, self.oil_out, feed.solids, feed.salt),
            Stream(self.reject, self.oil_reject, feed.solids, feed.salt),
        )

    def cut_size(self, density_difference: float, viscosity: float, now: Conditions) -> float:
        """d50, m, at the present flow."""
        ratio = max(self.flow / self.design_flow, 0.05)
        drift = viscosity / self.viscosity * self.density_difference / max(density_difference, 10.0)
        weak_swirl = 0.33 / ratio if ratio < 0.33 else 1.0
        shear = 1.0 + 1.5 * (ratio - 1.5) if ratio > 1.5 else 1.0
        ill = (1.0 + WORN_CUT * now.liner_wear) * (1.0 + 0.6 * now.gas_break_out) * (1.0 + now.liners_plugged)
        return self.d50 * math.sqrt(drift / ratio) * weak_swirl * shear * ill

    def readings(self) -> tuple[float, ...]:
        """Values in the order of ROLES: m³/h, kPa ×3, m³/h, m³, mg/L, mg/L."""
        return (
            self.flow, self.inlet, self.outlet, self.reject_pressure, self.reject, self.reject_total,
            total(self.oil_in), total(self.oil_out),
        )  # fmt: skip


_HALF = -math.log(2.0)


def grade_efficiency(diameters: Drops, d50: float) -> Drops:
    """Share of droplets of each diameter (m) caught: 1 − exp(−ln 2·(d/d50)²); one half at d50."""
    exp = math.exp
    a, b, c, d, e, f = times_by(diameters, diameters, _HALF / d50**2)
    return 1.0 - exp(a), 1.0 - exp(b), 1.0 - exp(c), 1.0 - exp(d), 1.0 - exp(e), 1.0 - exp(f)
