"""Reverse osmosis, where the salt allows it; its performance at standard conditions after ASTM D4516-19a."""

from __future__ import annotations

import numpy as np

from skidhand.unit_types.base import FLOW, PRACTICE, PRESSURE, TEMPERATURE, Figure, Limit, Param, Role, UnitType

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
    params={
        "tcf_k": Param("1", "K of the membrane's temperature correction, kelvin", "3020, a published calculator's"),
        "conductivity_slope": Param(
            "1", "share by which conductivity as it is read grows per °C above 20 °C; 0 if compensated", "0.02"
        ),
    },
    limits={
        "flow_loss": Limit("1", 0.12, "share of normalised permeate flow lost that calls for a clean", PRACTICE),
        "passage_rise": Limit("1", 0.15, "relative rise of salt passage that wants a look", PRACTICE),
        "osmotic_share": Limit("1", 0.75, "osmotic over feed pressure above which little is left to drive", PRACTICE),
    },
    hazards=frozenset({"pressure", "chemical", "rotation"}),
)

TCF_K = 3020.0
"""K of the temperature correction where the membrane's maker gives none: a published calculator's; others use 2640."""

SLOPE = 0.02
"""Share a degree by which brine's conductivity grows (CRC Handbook's table is at 20 °C; the slope from memory)."""


def osmotic_pressure(mg_per_litre: Figure, celsius: Figure) -> Figure:
    """Osmotic pressure (kPa) of a NaCl solution as ASTM D4516 reckons it; within 3 % of Pitzer up to 35 g/L.

    π = 0.2654 C (T + 273.15)/(1000 − C/1000), C in mg/L; 32 000 mg/L at 25 °C is 2616 kPa. Constants from memory.
    """
    return 0.2654 * mg_per_litre * (celsius + 273.15) / (1000.0 - mg_per_litre / 1000.0)


def feed_brine_average(feed_mg_per_litre: Figure, recovery: Figure) -> Figure:
    """Log-mean concentration between feed and concentrate: C ln(1/(1 − Y))/Y (ASTM D4516)."""
    average: Figure = feed_mg_per_litre * -np.log1p(-recovery) / recovery
    return average


def temperature_correction(celsius: Figure, k: float = TCF_K) -> Figure:
    """Permeability at ``celsius`` over that at 25 °C: exp(K (1/298.15 − 1/(273.15 + T)))."""
    factor: Figure = np.exp(k * (1.0 / 298.15 - 1.0 / (273.15 + celsius)))
    return factor


def net_driving_pressure(
    feed: Figure, drop: Figure, permeate: Figure, osmotic_feed: Figure, osmotic_permeate: Figure
) -> Figure:
    """Pf − ΔP/2 − Pp − πfb + πp, all kPa (ASTM D4516)."""
    return feed - drop / 2.0 - permeate - osmotic_feed + osmotic_permeate


def normalised_permeate_flow(
    flow: Figure, driving: Figure, celsius: Figure, *, driving0: float, celsius0: float = 25.0, k: float = TCF_K
) -> Figure:
    """Permeate flow at the standard driving pressure ``driving0`` (kPa) and ``celsius0`` (ASTM D4516)."""
    standard = temperature_correction(celsius0, k)
    return flow * driving0 * standard / (driving * temperature_correction(celsius, k))
