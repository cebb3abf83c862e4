"""Reverse osmosis, where the salt allows it."""

from __future__ import annotations

from skidhand.unit_types.base import FLOW, PRESSURE, TEMPERATURE, Role, UnitType

PLUGIN = UnitType(
    name="reverse_osmosis",
    means="reverse osmosis stage",
    roles={
        "feed_flow": Role(FLOW, "feed flow"),
        "feed_pressure": Role(PRESSURE, "gauge pressure of the feed"),
        "concentrate_pressure": Role(PRESSURE, "gauge pressure of the concentrate"),
        "permeate_pressure": Role(PRESSURE, "gauge pressure of the permeate"),
        "permeate_flow": Role(FLOW, "permeate flow"),
        "feed_conductivity": Role("mS/cm", "conductivity of the feed"),
        "permeate_conductivity": Role("mS/cm", "conductivity of the permeate"),
        "temperature": Role(TEMPERATURE, "feed temperature"),
    },
    hazards=frozenset({"pressure", "chemical", "rotation"}),
)
