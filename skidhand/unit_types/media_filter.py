"""Media filter: a granular bed that collects oil and solids until it is washed."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from skidhand.unit_types.base import (
    FLOW,
    OIL,
    PRACTICE,
    PRESSURE,
    TEMPERATURE,
    VOLUME,
    Limit,
    Param,
    Role,
    UnitType,
)

F64 = npt.NDArray[np.float64]

PLUGIN = UnitType(
    name="media_filter",
    means="granular media filter with backwash",
    roles={
        "flow": Role(FLOW, "flow through the bed"),
        "dp": Role(PRESSURE, "pressure upstream less downstream"),
        "inlet_pressure": Role(PRESSURE, "gauge pressure upstream"),
        "outlet_pressure": Role(PRESSURE, "gauge pressure downstream"),
        "temperature": Role(TEMPERATURE, "water temperature"),
        "outlet_oil": Role(OIL, "oil in the filtered water"),
        "outlet_turbidity": Role("{NTU}", "turbidity of the filtered water"),
        "backwash": Role("1", "0 in service, 1 being washed", state=True),
        "backwash_mode": Role("1", "0 local, 1 automatic", state=True),
        "backwash_flow": Role(FLOW, "wash water flow"),
        "backwash_total": Role(VOLUME, "wash water, the meter's own total"),
    },
    params={
        "bed_area": Param("m2", "cross-section of the bed", "filtration rate and unit filter run volume"),
        "bed_depth": Param("m", "depth of the bed", "expected clean drop before one is learnt"),
        "grain": Param("mm", "effective grain size", "expected clean drop before one is learnt"),
    },
    limits={
        "dp_terminal": Limit(PRESSURE, 82.7, "drop at which the bed must be washed", "10–15 psi: " + PRACTICE, "dp"),
        "prompt_hours": Limit("h", 4.0, "how long before the terminal drop a person hears of it", PRACTICE),
    },
    hazards=frozenset({"pressure", "h2s", "auto-start"}),
)


def clean_drop_factor(
    flow: F64,
    viscosity: F64,
    density: F64,
    *,
    flow0: float,
    viscosity0: float,
    density0: float,
    linear: float,
) -> F64:
    """Clean bed drop at these conditions over that at reference conditions; 1 at reference.

    ΔP(Q) = a (µ/µ0)(Q/Q0) + b (ρ/ρ0)(Q/Q0)², the two terms of Ergun (Chem. Eng. Prog. 48, 1952, 89);
    ``linear`` = a/(a + b), the laminar share at reference, 0 to 1.
    """
    q = flow / flow0
    return linear * (viscosity / viscosity0) * q + (1.0 - linear) * (density / density0) * q * q


POROSITY = 0.42
"""Of a clean bed of round grains, where nobody measured it: common practice, no source."""


def ergun_terms(
    velocity: F64, viscosity: F64, density: F64, *, depth: float, grain_mm: float, porosity: float = POROSITY
) -> tuple[F64, F64]:
    """Laminar and inertial part of a clean bed's drop, kPa (Ergun, Chem. Eng. Prog. 48, 1952, 89).

    ΔP/L = 150 µ(1−ε)²v/(ε³d²) + 1.75 ρ(1−ε)v²/(ε³d); ``velocity`` of the empty bed m/s, ``viscosity``
    mPa·s, ``density`` kg/m³, ``depth`` m. Holds for 1 < Re/(1−ε) < 2300.
    """
    d, mu, solid = grain_mm / 1000.0, viscosity / 1000.0, 1.0 - porosity
    laminar = 150.0 * mu * solid**2 * velocity / (porosity**3 * d**2)
    inertial = 1.75 * density * solid * velocity**2 / (porosity**3 * d)
    return laminar * depth / 1000.0, inertial * depth / 1000.0


def unit_filter_run_volume(filtered_m3: float, bed_area_m2: float) -> float:
    """Water filtered in one run per area of bed (m³/m²)."""
    return filtered_m3 / bed_area_m2
