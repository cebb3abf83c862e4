"""Sizes a train from the fleet file; what it does not say is sized from design flow by common practice."""

from __future__ import annotations

from collections import Counter
from typing import Literal

from simulator.plant.conditions import Conditions
from simulator.plant.feed_pump import FeedPump
from simulator.plant.hydrocyclone import Hydrocyclone
from simulator.plant.media_filter import Deposit, MediaFilter
from simulator.plant.strainer import Strainer
from simulator.plant.train import DT, FeedNow, Train
from simulator.plant.washing import WashControl
from simulator.plant.water import Brine, droplet_shares
from simulator.plant.weir_tank import WeirTank
from simulator.scenario import Plant
from simulator.streams import generator
from skidhand.errors import InputFileError
from skidhand.fleet import SkidView, UnitView

DEFAULT_FLOW = 9.0  # m³/h
DEFAULT_TDS = 90.0  # g/L
DEFAULT_API = 38.0
OVERFLOW_RATE = 1.5  # m/h of tank area: takes droplets of about 60 µm
FILTER_RATE = 17.1  # m/h of bed area (7 gpm/ft²)
PUMP_SPEED = 200.0  # 1/min at design flow
SLIP_SHARE = 0.08  # of design flow, at design pressure and 1 mPa·s
RESISTANCE_AT_END = {"complete": 0.75, "standard": 1.0, "intermediate": 1.386294, "cake": 3.0}  # x where R = 4
WARM_UP_HOURS = 8.0
GPM_PER_M3H = 1.0 / 0.22712470704
PSI = 6.894757293168  # kPa
SIMULATED = ("strainer", "weir_tank", "feed_pump", "hydrocyclone", "media_filter", "outlet", "skid")


class Normal:
    """The feed of a quiet day in absolute terms, which :class:`Feed`'s factors multiply."""

    def __init__(self, inflow: float, wanted: float, oil: float, solids: float) -> None:
        self.inflow, self.wanted, self.oil, self.solids = inflow, wanted, oil, solids

    def at(self, celsius: float) -> FeedNow:
        """Steady feed at one temperature."""
        return FeedNow(self.inflow, self.wanted, self.oil, self.solids, celsius, celsius - 8.0)


def build_train(view: SkidView, plant: Plant, seed: int) -> tuple[Train, Normal]:
    """The train of one skid, run in for a few hours so that it starts in its stride, and its normal feed."""
    by_type = _by_type(view)
    flow = view.design_flow or DEFAULT_FLOW
    brine = Brine(view.tds or DEFAULT_TDS, view.oil_api or DEFAULT_API)
    density, viscosity = brine.at(plant.temperature)
    train = Train(
        brine=brine,
        droplets=droplet_shares(plant.droplet_median_um * 1e-6, plant.droplet_spread),
        pump=_pump(by_type.get("feed_pump"), flow, plant),
        strainer=_strainer(by_type.get("strainer"), flow, plant),
        tank=_tank(by_type.get("weir_tank"), flow, brine, plant),
        cyclone=_cyclone("hydrocyclone" in by_type, flow, brine, density, viscosity, plant),
        filter=_filter(by_type.get("media_filter"), flow),
    )
    bed = by_type.get("media_filter")
    if train.filter and bed:
        terminal = bed.limits["dp_terminal"]
        by: Literal["person", "controller"] = "controller" if bed.backwash_by == "controller" else "person"
        train.washing = WashControl(by, terminal, generator(seed, view.id, "operator"))
    normal = _normal(train, flow * plant.load, plant)
    _run_in(train, normal, plant)
    return train, normal


def _by_type(view: SkidView) -> dict[str, UnitView]:
    """Units by type; InputFileError for a type that is not simulated, or twice on one skid."""
    for name, count in Counter(unit.type.name for unit in view.units).items():
        if name not in SIMULATED:
            raise InputFileError(f"skid {view.id}: {name} is not simulated; simulated are {', '.join(SIMULATED)}")
        if count > 1:
            raise InputFileError(f"skid {view.id}: {count} units of type {name}; one of a type is simulated")
    return {unit.type.name: unit for unit in view.units}


def _pump(unit: UnitView | None, flow: float, plant: Plant) -> FeedPump:
    litres = unit.params.get("displacement") if unit else None
    pressure = plant.cyclone_dp + plant.cyclone_outlet
    return FeedPump(
        design_flow=flow,
        displacement=litres / 1000.0 if litres else flow / (60.0 * PUMP_SPEED),
        slip=SLIP_SHARE * flow / pressure,
        design_rise=pressure,
    )


def _strainer(unit: UnitView | None, flow: float, plant: Plant) -> Strainer | None:
    if unit is None:
        return None
    cv = unit.params.get("cv")
    clean = PSI * (flow * GPM_PER_M3H / cv) ** 2 if cv else plant.strainer_dp
    return Strainer(design_flow=flow, clean_dp=clean)


def _tank(unit: UnitView | None, flow: float, brine: Brine, plant: Plant) -> WeirTank | None:
    if unit is None:
        return None
    height = unit.params.get("height", 2.4)
    return WeirTank(
        area=unit.params.get("area", flow / OVERFLOW_RATE),
        height=height,
        normal_level=0.55 * height,
        oil_density=brine.oil_density,
        temperature=plant.temperature,
    )


def _cyclone(
    present: bool, flow: float, brine: Brine, density: float, viscosity: float, plant: Plant
) -> Hydrocyclone | None:
    if not present:
        return None
    return Hydrocyclone(
        design_flow=flow,
        design_dp=plant.cyclone_dp,
        outlet_pressure=plant.cyclone_outlet,
        split=plant.cyclone_split,
        pdr=plant.cyclone_pdr,
        density=density,
        density_difference=density - brine.oil_density,
        viscosity=viscosity,
    )


def _filter(unit: UnitView | None, flow: float) -> MediaFilter | None:
    if unit is None:
        return None
    return MediaFilter(
        design_flow=flow,
        area=unit.params.get("bed_area", flow / FILTER_RATE),
        depth=unit.params.get("bed_depth", 1.2),
        grain=unit.params.get("grain", 0.5) * 1e-3,
        capacity=1e12,
    )


def _normal(train: Train, wanted: float, plant: Plant) -> Normal:
    """Inflow that keeps the level when reject and wash water come back."""
    back = train.cyclone.split * wanted if train.cyclone else 0.0
    if train.filter:
        volume = train.filter.wash_rate * train.filter.area * train.filter.wash_minutes / 60.0
        back += volume / plant.run_hours
    return Normal(wanted - back, wanted, plant.oil, plant.solids)


def _run_in(train: Train, normal: Normal, plant: Plant) -> None:
    """Let the tank settle, then size the bed's capacity by what reaches it and set its place in a run."""
    quiet = Conditions()
    steps = int(WARM_UP_HOURS / DT)
    before = Deposit()
    for step in range(steps):
        if train.filter and step == steps // 2:
            before = train.filter.loose
        train.step(normal.at(plant.temperature), quiet)
    if train.filter and train.washing:
        caught = train.filter.loose.plus(before, -1.0)
        hourly = Deposit().plus(caught, 2.0 / WARM_UP_HOURS)
        train.filter.law = plant.law
        train.filter.capacity = hourly.mass * plant.run_hours / RESISTANCE_AT_END[plant.law]
        started = Deposit().plus(hourly, plant.run_hours * plant.run_started)
        train.ledger.oil_in += started.oil - train.filter.loose.oil
        train.filter.loose = started
        train.washing.since_wash = plant.run_hours * plant.run_started
