"""What goes wrong with a media filter's washing. Fouling itself is not a fault: the plant does it."""

from simulator.faults.base import Fault, register
from simulator.plant.conditions import Conditions


def _weak_wash(now: Conditions, strength: float, hours: float) -> None:
    del hours
    now.wash_strength *= 1.0 - 0.04 * strength


INCOMPLETE_BACKWASH = register(
    Fault(
        name="incomplete-backwash",
        about="washes are too weak: deposit stays on the grains, the clean drop steps up wash by wash",
        strikes="plant",
        unit_type="media_filter",
        kind="incomplete-backwash",
        cause="oil-wet-media",
        change=_weak_wash,
        visible_minutes=60.0,
    )
)
