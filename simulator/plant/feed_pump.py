"""Progressive cavity feed pump: flow = displacement × speed − slip.

Slip of an elastomer stator is laminar leakage, k·ΔP/µ (form after Gamboa et al. 2002, from memory);
torque ∝ displacement × ΔP. The drive turns as fast as the asked flow needs. Without water the stator
heats by about 1 °C a minute and the rubber drags (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import ClassVar

from simulator.plant.conditions import Conditions

TIME_CONSTANT = 1.0 / 60.0  # h: a drive ramps in about a minute
WORN = 1.6  # added slip of a worn stator, as a share of new: speed +12 % at equal flow
DRY_HEAT = 1.0  # °C a minute
HOTTEST = 140.0  # °C: the rubber is gone


@dataclass(slots=True)
class FeedPump:
    """``displacement`` m³ per turn; ``slip`` m³/h per kPa at 1 mPa·s; currents A, pressures kPa."""

    design_flow: float
    displacement: float
    slip: float
    full_current: float = 20.0
    design_rise: float = 400.0
    top_speed: float = 400.0  # 1/min
    flow: float = 0.0
    asked: float = 0.0  # flow that the drive turns for
    speed: float = 0.0
    suction: float = 0.0
    discharge: float = 0.0
    current: float = 0.0
    stator: float = 25.0
    dry_minutes: float = 0.0

    ROLES: ClassVar[tuple[str, ...]] = (
        "running", "speed", "flow", "suction_pressure", "discharge_pressure", "motor_current",
        "stator_temperature",
    )  # fmt: skip

    def ramp(self, dt: float, wanted: float, now: Conditions) -> float:
        """Move towards the ``wanted`` flow, m³/h, and give what is reached."""
        if wanted <= 0.0:
            self.flow = self.asked = 0.0  # a positive-displacement pump that is stopped holds
        else:
            self.asked += (wanted - self.asked) * _share_of_ramp(dt)
            self.flow = self.asked * now.suction_open * (1.0 - now.discharge_shut)
        return self.flow

    def work(self, suction: float, discharge: float, viscosity: float, temperature: float, now: Conditions) -> None:
        """Find speed and current for the present flow between two pressures, kPa."""
        starved = 1.0 - now.suction_open
        discharge += now.discharge_shut * 1.2 * self.design_rise  # up to the relief valve's setting
        suction -= starved * (suction + 40.0)
        rise = max(0.0, discharge - suction)
        self.suction, self.discharge = suction, discharge
        if self.asked <= 0.0:
            self.speed = self.current = self.dry_minutes = 0.0
            self.stator += (temperature - self.stator) * 0.02
            return
        slip = self.slip * (1.0 + WORN * now.stator_wear)
        self.speed = min(self.top_speed, pump_speed(self.asked, rise, viscosity, self.displacement, slip))
        self.current = self.full_current * (0.30 + 0.55 * rise / self.design_rise)
        if starved > 0.5:
            self.dry_minutes += 1.0
            self.current = self.full_current * (0.22 + 0.012 * self.dry_minutes)
            self.stator = min(HOTTEST, self.stator + DRY_HEAT * starved)
        else:
            self.dry_minutes = 0.0
            self.stator += (temperature + 6.0 * rise / self.design_rise - self.stator) * 0.05

    def readings(self) -> tuple[float, ...]:
        """Values in the order of ROLES: 0/1, 1/min, m³/h, kPa, kPa, A, °C."""
        running = 1.0 if self.asked > 0.0 else 0.0
        return (
            running, self.speed, self.flow, self.suction, self.discharge, self.current, self.stator,
        )  # fmt: skip


@cache
def _share_of_ramp(dt: float) -> float:
    """Part of the way to what is asked that the drive goes in a step."""
    return 1.0 - math.exp(-dt / TIME_CONSTANT)


def pump_speed(flow: float, rise: float, viscosity: float, displacement: float, slip: float) -> float:
    """Speed, 1/min, at which displacement × speed − slip·ΔP/µ gives ``flow`` m³/h."""
    return (flow + slip * rise / viscosity) / (displacement * 60.0)
