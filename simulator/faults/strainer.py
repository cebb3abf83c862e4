"""What blinds a strainer."""

from simulator.faults.base import Fault, register, switches
from simulator.plant.conditions import Conditions

BLOCKED_AT_END = 0.45  # share of area: the drop is then 3.3 times clean
NORMAL_BLOCKING = 0.001  # share of area an hour that a healthy strainer loses


def _debris(now: Conditions, strength: float, hours: float) -> None:
    now.coarse_solids += strength * BLOCKED_AT_END / (NORMAL_BLOCKING * hours)


STRAINER_BLINDING = register(
    Fault(
        name="strainer-blinding",
        about="debris takes 45 % of the screen by the end: the drop turns up to 3.3 times clean",
        strikes="plant",
        unit_type="strainer",
        kind="strainer-blinding",
        change=_debris,
        visible_share=0.35,
        late_share=1.0,
    )
)

STRAINER_CLEANED = register(
    Fault(
        name="strainer-cleaned",
        about="a person cleans the strainer: its drop is back at clean",
        strikes="plant",
        unit_type="strainer",
        lookalike=True,
        change=switches("strainer_cleaned"),
    )
)
