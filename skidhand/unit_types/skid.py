"""The skid itself: whether it runs, its power, its weather and its gas alarm."""

from __future__ import annotations

from skidhand.unit_types.base import TEMPERATURE, Limit, Role, UnitType

PLUGIN = UnitType(
    name="skid",
    means="the skid as a whole",
    roles={
        "running": Role("1", "skid is in service", state=True),
        "mode": Role("1", "operating mode", state=True),
        "ambient_temperature": Role(TEMPERATURE, "outside temperature"),
        "line_temperature": Role(TEMPERATURE, "temperature of a line that could freeze"),
        "heat_trace": Role("1", "heat trace is on", state=True),
        "supply_voltage": Role("V", "supply voltage"),
        "gas_alarm": Role("1", "1 while the gas alarm is on", state=True),
    },
    limits={
        "flow_low": Limit("1", 0.30, "share of design flow below which nothing is judged", "common practice, no source")
    },
    hazards=frozenset({"h2s", "auto-start"}),
)
