"""Chemical feed: a drum or tote and its dosing pump."""

from __future__ import annotations

from skidhand.unit_types.base import PRACTICE, Limit, Param, Role, UnitType

PLUGIN = UnitType(
    name="chemical",
    means="chemical tank with dosing pump",
    roles={
        "level": Role("m", "liquid surface above the tank's bottom"),
        "dose_flow": Role("L/h", "chemical pumped"),
        "dose_command": Role("%", "pump's command"),
        "running": Role("1", "dosing pump is running", state=True),
    },
    params={"area": Param("m2", "plan area of the chemical tank", "days left")},
    limits={"days_low": Limit("d", 3.0, "days left at which more is ordered", PRACTICE)},
    hazards=frozenset({"chemical", "h2s"}),
)
