"""Weir tank: gravity takes the free oil off the top, clear water leaves below."""

from __future__ import annotations

from skidhand.unit_types.base import (
    FLOW,
    LEVEL,
    OIL,
    PRACTICE,
    TEMPERATURE,
    VOLUME,
    Figure,
    Limit,
    Param,
    Role,
    UnitType,
)

PLUGIN = UnitType(
    name="weir_tank",
    means="gravity oil separation tank",
    roles={
        "inlet_flow": Role(FLOW, "water arriving"),
        "inlet_total": Role(VOLUME, "water arrived, the meter's own total"),
        "level": Role(LEVEL, "liquid surface above the tank's bottom"),
        "interface_level": Role(LEVEL, "oil/water interface above the tank's bottom"),
        "skim_flow": Role(FLOW, "oil skimmed"),
        "skim_valve": Role("1", "skim valve open", state=True),
        "temperature": Role(TEMPERATURE, "water temperature"),
        "outlet_oil": Role(OIL, "oil in the water that leaves"),
        "sludge_level": Role(LEVEL, "top of the sludge above the tank's bottom"),
    },
    params={
        "area": Param("m2", "plan area of the settling part", "overflow rate, cut droplet and residence time"),
        "outlet_height": Param("m", "outlet above the bottom", "residence time and the margin to carry-over"),
        "height": Param("m", "overflow above the bottom", "time to full"),
    },
    limits={
        "outlet_oil_high": Limit(OIL, 150.0, "oil leaving that overloads a cyclone behind it", PRACTICE, "outlet_oil"),
        "oil_layer_high": Limit(LEVEL, 0.30, "oil pad that wants skimming", PRACTICE, "level"),
        "sludge_high": Limit(LEVEL, 0.30, "sludge that wants drawing off", PRACTICE, "sludge_level"),
    },
    hazards=frozenset({"tank", "h2s"}),
)


def overflow_rate(flow_m3h: Figure, area_m2: float) -> Figure:
    """Overflow rate (m/s): flow over plan area; a droplet that rises slower is carried along (API 421)."""
    return flow_m3h / 3600.0 / area_m2


def residence_s(interface_m: Figure, outlet_m: float, area_m2: float, flow_m3h: Figure) -> Figure:
    """Residence time (s) of the active water between outlet and interface."""
    return (interface_m - outlet_m) * area_m2 / (flow_m3h / 3600.0)


def oil_pad(level_m: Figure, interface_m: Figure) -> Figure:
    """Thickness of the oil pad (m): surface less interface."""
    return level_m - interface_m
