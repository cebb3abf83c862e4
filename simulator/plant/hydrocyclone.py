"""De-oiling hydrocyclone: pressure drop, reject split and which droplets it catches.

Pin − Pout = K·ρ·Q². The reject leaves through fixed ports: Qr = Cr·A·√((Pin − Prej)/ρ), so the pressure
drop ratio (Pin − Prej)/(Pin − Pout) does not see a plugged port while the reject flow does. Grade
efficiency 1 − exp(−ln 2·(d/d50)ⁿ) with n 2 (form of open cyclone simulators); d50 from the balance of
Stokes drift and swirl: ∝ √(µ/(Δρ·Q)). Weak swirl below a third of design flow and droplet shear above
1.5 times it raise d50 (direction after operating manuals; size common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from simulator.plant.conditions import Conditions
from simulator.plant.water import DIAMETERS, Floats, total

STARVING = 0.11  # exponent of the loss of efficiency below the design split (common practice, no source)


@dataclass
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
    oil_in: Floats = field(default_factory=lambda: np.zeros(len(DIAMETERS)))
    oil_out: Floats = field(default_factory=lambda: np.zeros(len(DIAMETERS)))
    oil_reject: Floats = field(default_factory=lambda: np.zeros(len(DIAMETERS)))  # g/h

    ROLES: ClassVar = (
        "inlet_flow", "inlet_pressure", "outlet_pressure", "reject_pressure", "reject_flow", "reject_total",
        "inlet_oil", "outlet_oil",
    )  # fmt: skip

    def pressures(self, flow: float, outlet: float, density: float, now: Conditions) -> None:
        """Set pressures (kPa) and reject flow (m³/h) for ``flow`` against the ``outlet`` pressure."""
        drop = self.design_dp * (density / self.density) * (flow / self.design_flow) ** 2
        held = self.outlet_pressure + self.design_dp * (1.0 - self.pdr + now.reject_back_pressure)
        # A stopped skid bleeds down: the reject line falls with the outlet.
        self.reject_pressure = held * min(1.0, outlet / self.outlet_pressure)
        self.flow, self.outlet, self.inlet = flow, outlet, outlet + drop
        self.reject = self._reject_flow(density, now.reject_area) if flow > 0.0 else 0.0

    def _reject_flow(self, density: float, area: float) -> float:
        driving = max(0.0, self.inlet - self.reject_pressure) / (self.pdr * self.design_dp)
        flow = self.split * self.design_flow * area * math.sqrt(driving * self.density / density)
        return min(flow, 0.5 * self.flow)

    def separate(self, dt: float, oil_in: Floats, density: float, oil_density: float, mu: float) -> None:
        """Split the oil (mg/L per class) between water outlet and reject for the set flows."""
        self.reject_total += self.reject * dt
        if self.flow <= 0.0:
            self.oil_reject = np.zeros(len(DIAMETERS))
            return
        split = self.reject / self.flow
        caught = grade_efficiency(DIAMETERS, self.cut_size(density - oil_density, mu))
        caught = caught * min(1.0, split / self.split) ** STARVING
        to_reject = split + (1.0 - split) * caught
        self.oil_in = oil_in
        self.oil_reject = self.flow * oil_in * to_reject
        self.oil_out = oil_in * (1.0 - to_reject) / (1.0 - split)

    def cut_size(self, density_difference: float, viscosity: float) -> float:
        """d50, m, at the present flow."""
        ratio = max(self.flow / self.design_flow, 0.05)
        drift = viscosity / self.viscosity * self.density_difference / max(density_difference, 10.0)
        weak_swirl = max(1.0, 0.33 / ratio)
        shear = 1.0 + 1.5 * max(0.0, ratio - 1.5)
        return self.d50 * math.sqrt(drift / ratio) * weak_swirl * shear

    def readings(self) -> tuple[float, ...]:
        """Values in the order of ROLES: m³/h, kPa ×3, m³/h, m³, mg/L, mg/L."""
        return (
            self.flow, self.inlet, self.outlet, self.reject_pressure, self.reject, self.reject_total,
            total(self.oil_in), total(self.oil_out),
        )  # fmt: skip


def grade_efficiency(diameter: Floats, d50: float, sharpness: float = 2.0) -> Floats:
    """Share of droplets of ``diameter`` (m) caught: 1 − exp(−ln 2·(d/d50)ⁿ); one half at d50."""
    return np.asarray(1.0 - np.exp(-math.log(2.0) * (diameter / d50) ** sharpness))
