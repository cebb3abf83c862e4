"""Outlet: the treated water as it leaves, where volume and quality are judged."""

from __future__ import annotations

from skidhand.unit_types.base import FLOW, OIL, VOLUME, Role, UnitType

PLUGIN = UnitType(
    name="outlet",
    means="treated water leaving",
    roles={
        "flow": Role(FLOW, "treated water flow"),
        "total": Role(VOLUME, "treated water, the meter's own total"),
        "divert": Role("1", "1 while water is sent back instead of out", state=True),
        "oil": Role(OIL, "oil in the treated water"),
        "turbidity": Role("{NTU}", "turbidity"),
        "density": Role("kg/m3", "density"),
        "conductivity": Role("mS/cm", "conductivity"),
    },
    hazards=frozenset({"h2s"}),
)
