"""Feed pump: progressive cavity, so that droplets are not sheared."""

from __future__ import annotations

from skidhand.unit_types.base import FLOW, PRESSURE, TEMPERATURE, Figure, Limit, Param, Role, UnitType

PLUGIN = UnitType(
    name="feed_pump",
    means="progressive cavity pump",
    roles={
        "running": Role("1", "pump is running", state=True),
        "speed": Role("/min", "shaft speed"),
        "flow": Role(FLOW, "flow delivered"),
        "suction_pressure": Role(PRESSURE, "gauge pressure at suction"),
        "discharge_pressure": Role(PRESSURE, "gauge pressure at discharge"),
        "motor_current": Role("A", "motor current"),
        "stator_temperature": Role(TEMPERATURE, "stator temperature"),
    },
    params={"displacement": Param("L", "volume per turn", "volumetric efficiency and slip")},
    limits={
        "stator_temperature_high": Limit(
            TEMPERATURE, 80.0, "stator too hot", "common practice, no source", "stator_temperature"
        )
    },
    hazards=frozenset({"pressure", "rotation", "auto-start"}),
)


def volumetric_efficiency(flow_m3h: Figure, displacement_l: float, speed_rpm: Figure) -> Figure:
    """Delivered over swept flow, Q / (Vd N); 1 without slip (Moineau geometry)."""
    return flow_m3h / (displacement_l * speed_rpm * 60.0 / 1000.0)
