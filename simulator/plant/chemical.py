"""Chemical feed: a tank, a dosing pump that keeps to the flow or to pH, and a delivery now and then."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

from simulator.plant.conditions import Conditions

NORMAL_COMMAND = 40.0  # % of full stroke on a quiet day
FULL = 0.9  # share of its height to which the tank is filled
ORDERED_AT = 0.2  # share of its height at which a delivery comes
RESPONSE = 10.0 / 60.0  # h in which the pump's command follows what is asked


@dataclass(slots=True)
class Chemical:
    """``area`` m², ``height`` m; ``normal_dose`` L/h at ``design_flow`` m³/h of water; volumes in L."""

    design_flow: float
    normal_dose: float
    area: float = 0.8
    height: float = 1.2
    filled: float = 0.7  # share of its height at the start
    command: float = NORMAL_COMMAND  # %
    dose: float = 0.0  # L/h that the water gets
    running: float = 1.0
    leaked: float = 0.0
    delivered: float = 0.0
    pumped: float = 0.0
    full: float = field(init=False)
    volume: float = field(init=False)

    ROLES: ClassVar[tuple[str, ...]] = ("level", "dose_flow", "dose_command", "running")

    def __post_init__(self) -> None:
        self.full = self.area * self.height * 1000.0
        self.volume = self.filled * self.full

    def step(self, dt: float, flow: float, asked: float, now: Conditions) -> float:
        """Dose for ``flow`` m³/h with ``asked`` times the normal ratio; gives dose over what is normal."""
        self._deliver(now)
        if now.dose_command is not None:
            self.command = now.dose_command
        else:
            wanted = min(100.0, NORMAL_COMMAND * asked * flow / self.design_flow)
            self.command += (wanted - self.command) * (dt / RESPONSE)
        self.running = 1.0 if flow > 0.0 else 0.0
        stroke = self.command / NORMAL_COMMAND * self.normal_dose * self.running
        self.dose = min(stroke * (1.0 - now.dose_lost), self.volume / dt)
        lost = min(now.leak * self.full, self.volume / dt - self.dose) if now.leak else 0.0
        self.volume -= (self.dose + lost) * dt
        self.pumped += self.dose * dt
        self.leaked += lost * dt
        if flow <= 0.0:
            return 0.0
        return self.dose / (self.normal_dose * flow / self.design_flow)

    def _deliver(self, now: Conditions) -> None:
        if now.refilled or (self.volume < ORDERED_AT * self.full and not now.delivery_missed):
            added = max(0.0, FULL * self.full - self.volume)
            self.volume += added
            self.delivered += added

    def readings(self) -> tuple[float, ...]:
        """Values in the order of ROLES: m, L/h, %, 0/1."""
        return self.volume / self.area / 1000.0, self.dose, self.command, self.running
