"""The skid itself: in service or not, its mode, power, weather, a line that could freeze, and the gas alarm."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from simulator.plant.conditions import Conditions

NOMINAL = 480.0  # V
THERMOSTAT = 5.0  # °C of ambient below which the trace is switched on
TRACED = 22.0  # °C that the trace holds a dead leg above its surroundings
WARMED = 0.15  # share of the way from ambient to water that a flowing neighbour warms a dead leg
COOLING = 2.0  # h


@dataclass(slots=True)
class Services:
    """All common practice, no source."""

    running: float = 1.0
    mode: float = 1.0
    ambient: float = 20.0
    line: float | None = None
    trace: float = 0.0
    voltage: float = NOMINAL
    gas: float = 0.0

    ROLES: ClassVar[tuple[str, ...]] = (
        "running", "mode", "ambient_temperature", "line_temperature", "heat_trace", "supply_voltage", "gas_alarm",
    )  # fmt: skip

    def step(
        self, dt: float, running: bool, flowing: bool, ambient: float, water: float, ripple: float, now: Conditions
    ) -> None:
        """One step of weather ``ambient`` and ``water`` temperature, °C."""
        self.running, self.mode = float(running), 0.0 if now.stopped else 1.0
        self.ambient = ambient
        self.voltage = NOMINAL * now.power * (1.0 + 0.004 * ripple)
        powered = now.power > 0.5 and not now.trace_dead
        self.trace = 1.0 if ambient < THERMOSTAT and powered else 0.0
        aim = ambient + TRACED * self.trace + (WARMED * (water - ambient) if flowing else 0.0)
        self.line = aim if self.line is None else self.line + (aim - self.line) * dt / COOLING
        self.gas = float(now.gas)

    def readings(self) -> tuple[float, ...]:
        """Values in the order of ROLES: 0/1, 0/1, °C, °C, 0/1, V, 0/1."""
        line = self.ambient if self.line is None else self.line
        return self.running, self.mode, self.ambient, line, self.trace, self.voltage, self.gas
