"""Strainer: a screen whose open area falls as it catches grit.

Clean drop ΔP = SG·(Q/Cv)², the definition of a flow coefficient; a screen with the share b of its area
blocked passes through 1 − b of it, so ΔP grows as (1 − b)⁻²: the upturn of a strainer near blinding.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from simulator.plant.conditions import Conditions

MOST_BLOCKED = 0.9  # a person or a bypass acts before; keeps the square finite


@dataclass(slots=True)
class Strainer:
    """``clean_dp`` kPa at ``design_flow`` m³/h of fresh water; ``blocking`` share of area lost per hour."""

    design_flow: float
    clean_dp: float = 15.0
    outlet_pressure: float = 60.0
    blocking: float = 0.001
    cleaned_at: float | None = None  # kPa at design flow at which a person cleans it
    blocked: float = 0.0
    cleanings: int = 0
    flow: float = 0.0
    dp: float = 0.0

    ROLES: ClassVar[tuple[str, ...]] = ("flow", "dp", "inlet_pressure", "outlet_pressure")

    def step(self, dt: float, flow: float, density: float, now: Conditions) -> None:
        """Pass ``flow`` m³/h for ``dt`` hours."""
        dirty = self.cleaned_at is not None and self.clean_dp / (1.0 - self.blocked) ** 2 > self.cleaned_at
        if now.strainer_cleaned or dirty:
            self.cleanings += self.blocked > 0.0
            self.blocked = 0.0
        ratio = flow / self.design_flow
        self.blocked = min(MOST_BLOCKED, self.blocked + self.blocking * now.coarse_solids * ratio * dt)
        self.flow = flow
        self.dp = strainer_drop(self.clean_dp, ratio, density, self.blocked)

    def readings(self) -> tuple[float, ...]:
        """Values in the order of ROLES: m³/h, kPa, kPa, kPa."""
        outlet = self.outlet_pressure * min(1.0, 5.0 * self.flow / self.design_flow)
        return self.flow, self.dp, outlet + self.dp, outlet


def strainer_drop(clean_dp: float, flow_ratio: float, density: float, blocked: float) -> float:
    """Pressure drop, kPa: ``clean_dp`` of fresh water at ratio 1, times SG, ratio² and (1 − blocked)⁻²."""
    return clean_dp * (density / 1000.0) * flow_ratio**2 / (1.0 - blocked) ** 2
