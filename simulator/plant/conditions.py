"""What a fault, an operator or the weather may change: the physics, never a reading."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class Conditions:
    """The state of the world at one step; factors are 1 and shifts 0 when nothing is wrong."""

    inflow: float = 1.0
    """Water coming from the pad, as a factor of normal."""
    setpoint: float = 1.0
    """The flow that the operator asks of the feed pump, as a factor of design flow."""
    oil: float = 1.0
    """Oil in the water from the pad, as a factor of normal."""
    solids: float = 1.0
    """Suspended solids in the water from the pad, as a factor of normal."""
    temperature: float = 0.0
    """Shift of the feed temperature, °C."""
    coarse_solids: float = 1.0
    """Load of grit and debris on the strainer, as a factor of normal."""
    reject_area: float = 1.0
    """Open area of the cyclone's reject ports, as a fraction of clean."""
    reject_back_pressure: float = 0.0
    """Added pressure in the reject line, as a fraction of the cyclone's design pressure drop."""
    wash_strength: float = 1.0
    """How much of the loose deposit a backwash can take out: 1 is a good wash."""
    stopped: bool = False
    """The skid is shut down: no inflow, pump off."""
    wash: bool = False
    """Somebody asks for a backwash now."""
    strainer_cleaned: bool = False
    """Somebody has the strainer open and cleans it."""
