"""What people and weather do that must not be called a fault of the equipment."""

from simulator.faults.base import Fault, register
from simulator.plant.conditions import Conditions


def _flow_step(now: Conditions, strength: float, hours: float) -> None:
    del hours
    now.inflow *= 1.0 + 0.3 * strength
    now.setpoint *= 1.0 + 0.3 * strength


def _cold(now: Conditions, strength: float, hours: float) -> None:
    del hours
    now.temperature -= 15.0 * strength


def _stop(now: Conditions, strength: float, hours: float) -> None:
    del hours
    now.stopped = now.stopped or strength > 0.0


def _wash(now: Conditions, strength: float, hours: float) -> None:
    del hours
    now.wash = now.wash or strength > 0.0


FLOW_STEP = register(
    Fault(
        name="flow-step",
        about="the operator takes 30 % more water: every pressure drop rises at once with it",
        strikes="plant",
        lookalike=True,
        rise_hours=0.05,
        change=_flow_step,
    )
)

COLD_FEED = register(
    Fault(
        name="cold-feed",
        about="the feed comes in 15 °C colder over hours: viscosity raises the pressure drops",
        strikes="plant",
        lookalike=True,
        rise_hours=3.0,
        change=_cold,
    )
)

SHUTDOWN = register(
    Fault(
        name="shutdown",
        about="the operator stops the skid and starts it again: no flow, no drop, ratio undefined",
        strikes="plant",
        lookalike=True,
        change=_stop,
    )
)

SCHEDULED_BACKWASH = register(
    Fault(
        name="scheduled-backwash",
        about="a backwash by the calendar, whatever the pressure drop",
        strikes="plant",
        unit_type="media_filter",
        lookalike=True,
        change=_wash,
    )
)
