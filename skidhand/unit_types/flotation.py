"""Flotation cell, with metals precipitation ahead of it where the skid has one."""

from __future__ import annotations

from skidhand.unit_types.base import FLOW, OIL, PRESSURE, Role, UnitType

PLUGIN = UnitType(
    name="flotation",
    means="gas flotation cell",
    roles={
        "flow": Role(FLOW, "feed flow"),
        "recycle_pressure": Role(PRESSURE, "gauge pressure of the gas-saturated recycle"),
        "ph": Role("[pH]", "pH"),
        "orp": Role("mV", "oxidation-reduction potential"),
        "outlet_oil": Role(OIL, "oil in the water that leaves"),
        "outlet_turbidity": Role("{NTU}", "turbidity of the water that leaves"),
    },
    hazards=frozenset({"pressure", "chemical", "h2s"}),
)
