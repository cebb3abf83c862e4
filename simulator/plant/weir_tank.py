"""Weir tank: oil rises by Stokes' law while the water crosses three mixed cells in a row.

Oil that reaches the top joins the pad; a weir skims what stands above it. Three cells give the spread
of residence times of a baffled tank between plug flow and a stirred pot. Every step is implicit in the
outflow and the rise, so that water and oil balance to rounding.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from simulator.plant.water import DIAMETERS, Floats, total
from skidhand.brine import GRAVITY

CELLS = 3
SECONDS = 3600.0
CALM_RATE = 2.0  # m/h of inflow over area above which the pad is torn (common practice, no source)
TEARING = 0.08  # share of the pad torn loose an hour at twice the calm rate (common practice, no source)
TORN = np.array([0.0, 0.02, 0.08, 0.25, 0.4, 0.25])  # droplet sizes of torn oil


@dataclass
class WeirTank:
    """``area`` m², ``height`` m to the rim; oil per droplet class in mg/L."""

    area: float
    height: float = 2.4
    normal_level: float = 1.3
    skim_weir: float = 0.10  # pad thickness, m, above which oil runs over
    skim_rate: float = 5.0  # 1/h of the pad above the weir
    oil_density: float = 834.0
    water: float = field(init=False)
    pad: float = field(init=False)  # g of oil
    oil: Floats = field(init=False)  # (CELLS, classes) mg/L
    temperature: float = 25.0
    inflow: float = 0.0
    total_in: float = 0.0
    skim: float = 0.0
    overflow: float = 0.0
    lost_oil: float = 0.0  # g/h that left with the overflow

    ROLES: ClassVar = (
        "inlet_flow", "inlet_total", "level", "interface_level", "skim_flow", "skim_valve", "temperature",
        "outlet_oil",
    )  # fmt: skip

    def __post_init__(self) -> None:
        thickness = self.skim_weir * 1.05
        self.pad = thickness * self.area * self.oil_density * 1000.0
        self.water = (self.normal_level - thickness) * self.area
        self.oil = np.zeros((CELLS, len(DIAMETERS)))

    @property
    def thickness(self) -> float:
        """Oil pad, m."""
        return self.pad / (self.oil_density * 1000.0 * self.area)

    @property
    def level(self) -> float:
        """Top of the oil above the bottom, m."""
        return self.water / self.area + self.thickness

    @property
    def outlet_oil(self) -> Floats:
        """Oil leaving, mg/L per droplet class."""
        return np.asarray(self.oil[-1])

    def held_oil(self) -> float:
        """All oil in the tank, g."""
        return self.pad + float(self.oil.sum()) * self.water / CELLS

    def step(
        self,
        dt: float,
        feed: float,
        feed_oil: Floats,
        returned: float,
        returned_oil: Floats,
        feed_temperature: float,
        outflow: float,
        density: float,
        viscosity: float,
    ) -> None:
        """Take ``feed`` and ``returned`` (m³/h; oil in g/h per class), give ``outflow``, for ``dt`` hours."""
        inflow = feed + returned
        before = self.water
        room = (self.height - self.thickness) * self.area
        self.overflow = max(0.0, (before + (inflow - outflow) * dt - room) / dt)
        after = before + (inflow - outflow - self.overflow) * dt
        self._skim(dt)
        torn = self._tear(dt, inflow)
        self._cross(dt, inflow, feed_oil + returned_oil, torn, before, after, density, viscosity)
        self.temperature += (feed_temperature - self.temperature) * min(1.0, feed * dt / max(after, 0.1))
        self.water = after
        self.inflow = feed
        self.total_in += feed * dt

    def _skim(self, dt: float) -> None:
        over = max(0.0, self.thickness - self.skim_weir)
        self.skim = min(self.skim_rate * over * self.area, over * self.area / dt)
        self.pad -= self.skim * dt * self.oil_density * 1000.0

    def _tear(self, dt: float, inflow: float) -> float:
        """Oil torn off the pad by too much flow, g/h."""
        excess = max(0.0, inflow / (self.area * CALM_RATE) - 1.0)
        torn = min(self.pad * TEARING * excess, 0.5 * self.pad / dt)
        self.pad -= torn * dt
        return torn

    def _cross(
        self,
        dt: float,
        inflow: float,
        oil_rate: Floats,
        torn: float,
        before: float,
        after: float,
        density: float,
        viscosity: float,
    ) -> None:
        rise = rise_velocity(density, self.oil_density, viscosity) * SECONDS  # m/h
        lifted = rise * (self.area / CELLS)
        growth = (after - before) / dt / CELLS
        flow, mass = inflow, oil_rate
        for cell in range(CELLS):
            flow -= growth
            if torn and cell == CELLS - 1:
                mass = mass + torn * TORN
            held = self.oil[cell] * (before / CELLS)
            content = (held + dt * mass) / (after / CELLS + dt * (flow + lifted))
            self.oil[cell] = content
            self.pad += dt * float(lifted @ content)
            mass = flow * content
        self.lost_oil = self.overflow * total(self.oil[-1])

    def readings(self) -> tuple[float, ...]:
        """Values in the order of ROLES: m³/h, m³, m, m, m³/h, 0/1, °C, mg/L."""
        level = self.level
        return (
            self.inflow, self.total_in, level, level - self.thickness, self.skim,
            1.0 if self.skim > 1e-4 else 0.0, self.temperature, total(self.outlet_oil),
        )  # fmt: skip


_SQUARES = GRAVITY * DIAMETERS**2 / 18e-3


def rise_velocity(density: float, oil_density: float, viscosity: float) -> Floats:
    """Stokes rise of each droplet class, m/s.

    The law of :func:`skidhand.brine.stokes_velocity` without its range checks: every plant step calls it.
    """
    return _SQUARES * ((density - oil_density) / viscosity)
