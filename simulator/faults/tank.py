"""What the pad can do to a weir tank."""

from simulator.faults.base import Fault, register
from simulator.plant.conditions import Conditions


def _slug(now: Conditions, strength: float, hours: float) -> None:
    del hours
    now.inflow *= 1.0 + 0.6 * strength
    now.oil *= 1.0 + 3.0 * strength


OIL_SLUG = register(
    Fault(
        name="oil-slug",
        about="the pad sends 60 % more water with four times the oil; the tank carries oil over for hours",
        strikes="plant",
        unit_type="weir_tank",
        kind="oil-carry-over",
        cause="slug",
        change=_slug,
        visible_minutes=20.0,
        late_share=0.0,
        late_minutes=90.0,
        aftermath_hours=2.5,
    )
)
