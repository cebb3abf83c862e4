"""Series that are computed on read and never stored: ``<unit>.<quantity>``, with unit and version.

Each is a pure function of a block and the fleet file's numbers. The formulas stand with their sources in
``skidhand/unit_types``; here they get their inputs, and NaN where an input is not usable or a denominator
is too small to mean anything. Water is taken as NaCl brine of the fleet file's dissolved solids (none
given: fresh).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from analytics.frame import F64, U16, Block, Flag
from skidhand import brine
from skidhand.fleet import SkidView, UnitView
from skidhand.unit_types import feed_pump, hydrocyclone, media_filter, weir_tank

REFERENCE_CELSIUS: Final = 25.0
LEAST_FLOW: Final = 0.30  # share of reference flow below which nothing is normalised
LAMINAR_SHARE: Final = 0.93  # of a clean bed's drop where its size is not given: Ergun at 12 to 24 m/h, 0.7 mm
LEAST_OIL: Final = 1.0  # mg/L at the inlet below which a removal means nothing


@dataclass(frozen=True, slots=True)
class Quantity:
    """How one derived series of a unit type comes about. ``version`` grows when its figures would change."""

    name: str
    unit: str
    means: str
    roles: tuple[str, ...]
    compute: Callable[[SkidView, UnitView, Block], F64]
    params: tuple[str, ...] = ()
    version: int = 1


@dataclass(frozen=True, slots=True)
class DerivedSeries:
    """One series on the block's minutes; ``flags`` are those of all its inputs together."""

    name: str
    unit: str
    means: str
    version: int
    value: F64
    flags: U16


def brine_properties(skid: SkidView, celsius: F64) -> tuple[F64, F64]:
    """Viscosity (mPa·s) and density (kg/m³) of the skid's water; outside 0 to 140 °C the nearest end counts."""
    share = brine.mass_fraction(min(skid.tds or 0.0, brine.SATURATED_G_PER_L))
    t = np.clip(celsius, 0.0, 140.0)
    return brine.viscosity(share, t), brine.density(share, t)


def reference_flow(skid: SkidView, unit: UnitView) -> float | None:
    """m³/h through one filter at design: the skid's design flow shared among filters that stand side by side."""
    beside = [u for u in skid.of_type(unit.type.name) if u.upstream == unit.upstream]
    return None if skid.design_flow is None else skid.design_flow / max(1, len(beside))


def normalised_dp(skid: SkidView, unit: UnitView, block: Block) -> F64:
    """Drop (kPa) that the bed would have at reference flow, 25 °C; NaN below 30 % of reference flow."""
    flow0 = reference_flow(skid, unit)
    if flow0 is None:
        return np.full(len(block), np.nan)
    flow = block.clean(unit.id, "flow")
    celsius = block.clean(unit.id, "temperature")
    viscosity, density = brine_properties(skid, np.where(np.isnan(celsius), REFERENCE_CELSIUS, celsius))
    viscosity0, density0 = (float(p) for p in brine_properties(skid, np.array(REFERENCE_CELSIUS)))
    factor = media_filter.clean_drop_factor(
        flow, viscosity, density, flow0=flow0, viscosity0=viscosity0, density0=density0,
        linear=_laminar_share(unit, flow0, viscosity0, density0),
    )  # fmt: skip
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(flow >= LEAST_FLOW * flow0, block.clean(unit.id, "dp") / factor, np.nan)


def _clean_terms(unit: UnitView, flow0: float, viscosity0: float, density0: float) -> tuple[float, float] | None:
    if not {"bed_area", "bed_depth", "grain"} <= unit.params.keys():
        return None
    p = unit.params
    laminar, inertial = media_filter.ergun_terms(
        np.array(flow0 / 3600.0 / p["bed_area"]), np.array(viscosity0), np.array(density0),
        depth=p["bed_depth"], grain_mm=p["grain"],
    )  # fmt: skip
    return float(laminar), float(inertial)


def _laminar_share(unit: UnitView, flow0: float, viscosity0: float, density0: float) -> float:
    terms = _clean_terms(unit, flow0, viscosity0, density0)
    return LAMINAR_SHARE if terms is None else terms[0] / sum(terms)


def fouling_index(skid: SkidView, unit: UnitView, block: Block) -> F64:
    """Normalised drop over the Ergun drop of the clean bed; 1 when clean, if the bed is as the file says."""
    flow0 = reference_flow(skid, unit)
    viscosity0, density0 = (float(p) for p in brine_properties(skid, np.array(REFERENCE_CELSIUS)))
    terms = None if flow0 is None else _clean_terms(unit, flow0, viscosity0, density0)
    if terms is None:
        return np.full(len(block), np.nan)
    return normalised_dp(skid, unit, block) / sum(terms)


def _filtration_rate(skid: SkidView, unit: UnitView, block: Block) -> F64:  # noqa: ARG001 - one signature for all
    return block.clean(unit.id, "flow") / unit.params["bed_area"]


def _split(skid: SkidView, unit: UnitView, block: Block) -> F64:
    flow = block.clean(unit.id, "inlet_flow")
    least = LEAST_FLOW * (skid.design_flow or 0.0)
    return hydrocyclone.reject_ratio(block.clean(unit.id, "reject_flow"), np.where(flow >= least, flow, np.nan))


def _pressure_drop_ratio(skid: SkidView, unit: UnitView, block: Block) -> F64:  # noqa: ARG001
    inlet, outlet, reject = (block.clean(unit.id, r) for r in ("inlet_pressure", "outlet_pressure", "reject_pressure"))
    return hydrocyclone.pressure_drop_ratio(inlet, outlet, np.where(block.running, reject, np.nan))


def _efficiencies(skid: SkidView, unit: UnitView, block: Block) -> tuple[F64, F64, F64]:
    inlet, outlet = block.clean(unit.id, "inlet_oil"), block.clean(unit.id, "outlet_oil")
    usable = (inlet >= LEAST_OIL) & block.running
    return hydrocyclone.efficiencies(np.where(usable, inlet, np.nan), outlet, _split(skid, unit, block))


def _removal(skid: SkidView, unit: UnitView, block: Block) -> F64:
    return _efficiencies(skid, unit, block)[0]


def _mass_removal(skid: SkidView, unit: UnitView, block: Block) -> F64:
    return _efficiencies(skid, unit, block)[1]


def _oil_pad(skid: SkidView, unit: UnitView, block: Block) -> F64:  # noqa: ARG001
    return weir_tank.oil_pad(block.clean(unit.id, "level"), block.clean(unit.id, "interface_level"))


def _residence(skid: SkidView, unit: UnitView, block: Block) -> F64:  # noqa: ARG001
    flow = block.clean(unit.id, "inlet_flow")
    top = block.clean(unit.id, "interface_level")
    flow = np.where(flow > 0, flow, np.nan)
    return weir_tank.residence_s(top, unit.params["outlet_height"], unit.params["area"], flow) / 60.0


def _overflow_rate(skid: SkidView, unit: UnitView, block: Block) -> F64:  # noqa: ARG001
    return weir_tank.overflow_rate(block.clean(unit.id, "inlet_flow"), unit.params["area"]) * 3600.0


def _volumetric(skid: SkidView, unit: UnitView, block: Block) -> F64:  # noqa: ARG001
    speed = block.clean(unit.id, "speed")
    turning = np.where((speed > 0) & block.running, speed, np.nan)
    return feed_pump.volumetric_efficiency(block.clean(unit.id, "flow"), unit.params["displacement"], turning)


QUANTITIES: Final[dict[str, tuple[Quantity, ...]]] = {
    "media_filter": (
        Quantity("dp_normalised", "kPa", "drop at reference flow and 25 °C", ("dp", "flow"), normalised_dp),
        Quantity("fouling_index", "1", "normalised drop over the clean bed's", ("dp", "flow"), fouling_index,
                 ("bed_area", "bed_depth", "grain")),
        Quantity("filtration_rate", "m/h", "flow per bed area", ("flow",), _filtration_rate, ("bed_area",)),
    ),
    "hydrocyclone": (
        Quantity("reject_ratio", "1", "reject over feed flow", ("reject_flow", "inlet_flow"), _split),
        Quantity("pressure_drop_ratio", "1", "(inlet − reject)/(inlet − outlet)",
                 ("inlet_pressure", "outlet_pressure", "reject_pressure"), _pressure_drop_ratio),
        Quantity("removal", "1", "oil removed by concentration", ("inlet_oil", "outlet_oil"), _removal),
        Quantity("efficiency", "1", "share of the oil's mass that goes to the reject",
                 ("inlet_oil", "outlet_oil", "reject_flow", "inlet_flow"), _mass_removal),
    ),
    "weir_tank": (
        Quantity("oil_pad", "m", "thickness of the oil layer", ("level", "interface_level"), _oil_pad),
        Quantity("residence_time", "min", "active volume over flow", ("interface_level", "inlet_flow"), _residence,
                 ("area", "outlet_height")),
        Quantity("overflow_rate", "m/h", "flow over plan area", ("inlet_flow",), _overflow_rate, ("area",)),
    ),
    "feed_pump": (
        Quantity("volumetric_efficiency", "1", "delivered over swept flow", ("flow", "speed"), _volumetric,
                 ("displacement",)),
    ),
}  # fmt: skip
"""Derived series by unit type."""


def available(skid: SkidView) -> Iterator[tuple[UnitView, Quantity]]:
    """Every derived series that the skid's instruments and parameters allow."""
    for unit in skid.units:
        for quantity in QUANTITIES.get(unit.type.name, ()):
            if unit.has(*quantity.roles) and set(quantity.params) <= unit.params.keys():
                yield unit, quantity


def derive(skid: SkidView, unit: UnitView, quantity: Quantity, block: Block) -> DerivedSeries:
    """The series of ``quantity`` on one unit."""
    value = quantity.compute(skid, unit, block)
    flags = np.zeros(len(block), dtype=np.uint16)
    for role in quantity.roles:
        channel = block.get(unit.id, role)
        flags |= np.uint16(Flag.GAP) if channel is None else channel.flags
    flags |= np.where(np.isfinite(value), 0, int(Flag.GAP)).astype(np.uint16)
    name = f"{unit.id}.{quantity.name}"
    return DerivedSeries(name, quantity.unit, quantity.means, quantity.version, value, flags)
