"""Strainer: a screen that keeps coarse solids out of everything behind it."""

from __future__ import annotations

from skidhand.unit_types.base import FLOW, PRACTICE, PRESSURE, Limit, Param, Role, UnitType

PLUGIN = UnitType(
    name="strainer",
    means="screen ahead of the tank or the pumps",
    roles={
        "flow": Role(FLOW, "flow through the strainer"),
        "dp": Role(PRESSURE, "pressure upstream less downstream"),
        "inlet_pressure": Role(PRESSURE, "gauge pressure upstream"),
        "outlet_pressure": Role(PRESSURE, "gauge pressure downstream"),
    },
    params={"cv": Param("1", "flow coefficient Cv of the clean strainer, gpm at 1 psi", "clean drop at a flow")},
    limits={
        "dp_clean_at": Limit(
            PRESSURE,
            70.0,
            "drop at which the strainer wants cleaning",
            "a strainer maker's note: about 70 kPa",
            "dp",
        ),
        "dp_clean": Limit(PRESSURE, 20.0, "drop of the clean strainer at design flow", PRACTICE, "dp"),
    },
    hazards=frozenset({"pressure", "auto-start", "h2s"}),
)


def clean_drop_psi(flow_gpm: float, cv: float, specific_gravity: float = 1.0) -> float:
    """Pressure drop (psi) of a clean strainer: SG (Q/Cv)², the definition of Cv (IEC 60534)."""
    return specific_gravity * (flow_gpm / cv) ** 2
