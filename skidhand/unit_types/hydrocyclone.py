"""De-oiling hydrocyclone: spins oil to the core and rejects it as a small split."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from skidhand.unit_types.base import FLOW, OIL, PRACTICE, PRESSURE, VOLUME, Figure, Limit, Param, Role, UnitType

F64 = npt.NDArray[np.float64]

PLUGIN = UnitType(
    name="hydrocyclone",
    means="static de-oiling hydrocyclone",
    roles={
        "inlet_flow": Role(FLOW, "feed flow"),
        "inlet_pressure": Role(PRESSURE, "gauge pressure of the feed"),
        "outlet_pressure": Role(PRESSURE, "gauge pressure of the clean water outlet"),
        "reject_pressure": Role(PRESSURE, "gauge pressure of the reject"),
        "reject_flow": Role(FLOW, "reject flow"),
        "reject_total": Role(VOLUME, "reject, the meter's own total"),
        "inlet_oil": Role(OIL, "oil in the feed"),
        "outlet_oil": Role(OIL, "oil in the clean water"),
    },
    params={"liners": Param("1", "liners in service", "flow per liner")},
    limits={
        "reject_ratio_low": Limit("1", 0.01, "least plausible reject over feed flow", PRACTICE),
        "reject_ratio_high": Limit("1", 0.08, "largest plausible reject over feed flow", PRACTICE),
        "split_change": Limit("1", 0.12, "lasting relative change of a learnt ratio that counts as drift", PRACTICE),
    },
    hazards=frozenset({"pressure", "h2s", "auto-start"}),
)


def reject_ratio(reject_flow: F64, inlet_flow: F64) -> F64:
    """Reject over feed flow, both in one unit; NaN where there is no feed."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(inlet_flow > 0, reject_flow / inlet_flow, np.nan)


def pressure_drop_ratio(inlet: F64, outlet: F64, reject: F64) -> F64:
    """(inlet − reject)/(inlet − outlet), gauge pressures in one unit; NaN where the drop is not positive.

    Example: 600, 500 and 430 kPa give 1.70.
    """
    drop = inlet - outlet
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(drop > 0, (inlet - reject) / drop, np.nan)


def efficiencies(inlet_oil: Figure, outlet_oil: Figure, split: Figure) -> tuple[Figure, Figure, Figure]:
    """Three oil removal efficiencies: by concentration, by mass of oil to the reject, and centred.

    E1 = 1 − Cu/Ci; E2 = 1 − (1 − F) Cu/Ci; E3 = (E2 − F)/(1 − F), which takes away what plain splitting
    would reach and equals E1.
    """
    e1 = 1.0 - outlet_oil / inlet_oil
    e2 = 1.0 - (1.0 - split) * outlet_oil / inlet_oil
    return e1, e2, (e2 - split) / (1.0 - split)
