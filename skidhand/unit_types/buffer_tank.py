"""Buffer tank, and any other plain tank: oil, waste, sludge or treated water (``holds`` says which)."""

from __future__ import annotations

from skidhand.unit_types.base import FLOW, LEVEL, PRACTICE, TEMPERATURE, Limit, Param, Role, UnitType

PLUGIN = UnitType(
    name="buffer_tank",
    means="plain tank",
    roles={
        "level": Role(LEVEL, "liquid surface above the tank's bottom"),
        "inlet_flow": Role(FLOW, "flow in"),
        "outlet_flow": Role(FLOW, "flow out"),
        "temperature": Role(TEMPERATURE, "temperature"),
        "density": Role("kg/m3", "density"),
        "conductivity": Role("mS/cm", "conductivity"),
    },
    params={
        "area": Param("m2", "plan area", "volume held, time to full or empty"),
        "height": Param("m", "overflow above the bottom", "time to full"),
        "outlet_height": Param("m", "lowest usable level", "time to empty"),
    },
    limits={
        "level_high": Limit(LEVEL, 2.7, "level that is too full", PRACTICE, "level"),
        "level_low": Limit(LEVEL, 0.4, "level that is too empty", PRACTICE, "level"),
    },
    hazards=frozenset({"tank", "h2s"}),
)
