"""Filter press: squeezes the sludge to a cake; filtrate goes back to the head of the plant."""

from __future__ import annotations

from skidhand.unit_types.base import FLOW, PRESSURE, Role, UnitType

PLUGIN = UnitType(
    name="filter_press",
    means="plate filter press",
    roles={
        "feed_pressure": Role(PRESSURE, "gauge pressure of the sludge feed"),
        "feed_flow": Role(FLOW, "sludge feed flow"),
        "cycle": Role("1", "0 open, 1 filling or pressing", state=True),
    },
    hazards=frozenset({"pressure", "rotation", "norm", "h2s"}),
)
