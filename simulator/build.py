"""Sizes a train from the fleet file; what it does not say is sized from design flow by common practice."""

from __future__ import annotations

from collections import Counter
from typing import Literal

from simulator.plant.buffer_tank import BufferTank, OilTank
from simulator.plant.chemical import Chemical
from simulator.plant.conditions import Conditions
from simulator.plant.drops import droplet_shares
from simulator.plant.feed_pump import FeedPump
from simulator.plant.filter_bank import FilterBank
from simulator.plant.filter_press import FilterPress
from simulator.plant.flotation import Flotation
from simulator.plant.hydrocyclone import Hydrocyclone
from simulator.plant.ledger import Stock
from simulator.plant.media_filter import Deposit, MediaFilter
from simulator.plant.reverse_osmosis import ReverseOsmosis
from simulator.plant.strainer import Strainer
from simulator.plant.sump import Sump
from simulator.plant.train import DT, FeedNow, Train
from simulator.plant.washing import WashControl
from simulator.plant.water import Brine, added
from simulator.plant.weir_tank import SETTLED, SLUDGE_HOURS, SLUDGE_SOLIDS, WeirTank
from simulator.plant_file import Plant
from simulator.streams import generator
from skidhand.errors import InputFileError
from skidhand.fleet import Skid, SkidView, UnitView

DEFAULT_FLOW = 9.0  # m³/h
DEFAULT_TDS = 90.0  # g/L
DEFAULT_API = 38.0
OVERFLOW_RATE = 1.5  # m/h of tank area: takes droplets of about 60 µm
FILTER_RATE = 17.1  # m/h of bed area (7 gpm/ft²)
PUMP_SPEED = 200.0  # 1/min at design flow
SLIP_SHARE = 0.08  # of design flow, at design pressure and 1 mPa·s
DOSE = 0.1  # L of chemical per m³ of water
TANK_HOURS = 3.0  # of design flow that a treated-water tank holds
PRESS_HOURS = 6.0  # of sludge in a batch
RESISTANCE_AT_END = {"complete": 0.75, "standard": 1.0, "intermediate": 1.386294, "cake": 3.0}  # x where R = 4
WARM_UP_HOURS = 8.0
GPM_PER_M3H = 1.0 / 0.22712470704
PSI = 6.894757293168  # kPa
LINE = ("strainer", "weir_tank", "feed_pump", "hydrocyclone", "flotation", "media_filter", "reverse_osmosis")
"""Order in which the simulator's pipes run."""
SEVERAL = ("media_filter", "chemical", "buffer_tank")


class Normal:
    """The feed of a quiet day in absolute terms, which :class:`Feed`'s factors multiply."""

    def __init__(self, inflow: float, wanted: float, oil: float, solids: float) -> None:
        self.inflow, self.wanted, self.oil, self.solids = inflow, wanted, oil, solids

    def at(self, celsius: float) -> FeedNow:
        """Steady feed at one temperature."""
        return FeedNow(self.inflow, self.wanted, self.oil, self.solids, celsius, celsius - 8.0)


def build_train(skid: Skid, view: SkidView, plant: Plant, seed: int) -> tuple[Train, Normal]:
    """The train of one skid, run in for a few hours so that it starts in its stride, and its normal feed."""
    _check(view)
    by_type = {unit.type.name: unit for unit in view.units}
    flow = view.design_flow or DEFAULT_FLOW
    brine = Brine(view.tds or DEFAULT_TDS, view.oil_api or DEFAULT_API, plant.calcium)
    tanks = _tanks(skid, view)
    ids = {unit.type.name: unit.id for unit in view.units if unit.type.name not in SEVERAL}
    train = Train(
        brine=brine,
        droplets=droplet_shares(plant.droplet_median_um * 1e-6, plant.droplet_spread),
        pump=_pump(by_type.get("feed_pump"), flow, plant),
        sump=Sump(flow),
        ids=ids | {holds: unit.id for holds, unit in tanks.items()},
        strainer=_strainer(by_type.get("strainer"), flow, plant),
        tank=_tank(by_type.get("weir_tank"), flow, brine, plant),
        cyclone=_cyclone("hydrocyclone" in by_type, flow, brine, plant),
        flotation=Flotation() if "flotation" in by_type else None,
        chemicals={unit.id: _chemical(unit, flow) for unit in view.of_type("chemical")},
        filters=_filters(view, flow, plant, seed),
        membranes=ReverseOsmosis(flow, plant.recovery) if "reverse_osmosis" in by_type else None,
        store=_store(tanks.get("treated-water"), flow * plant.load, brine),
        oil_tank=_oil_tank(tanks.get("oil"), flow, brine),
        press=_press("filter_press" in by_type, flow, plant),
    )
    normal = _normal(train, flow * plant.load, plant)
    _run_in(train, normal, plant)
    return train, normal


def _check(view: SkidView) -> None:
    """InputFileError for two units where one is simulated, or another order of flow."""
    for name, count in Counter(unit.type.name for unit in view.units).items():
        if count > 1 and name not in SEVERAL:
            raise InputFileError(f"skid {view.id}: {count} units of type {name}; one of a type is simulated")
    order = [LINE.index(unit.type.name) for unit in view.units if unit.type.name in LINE]
    if order != sorted(order):
        raise InputFileError(f"skid {view.id}: simulated is the order of flow {' → '.join(LINE)}")
    if "filter_press" in {unit.type.name for unit in view.units} and not view.of_type("weir_tank"):
        raise InputFileError(f"skid {view.id}: the filter press needs a weir_tank whose sludge it presses")


def _tanks(skid: Skid, view: SkidView) -> dict[str, UnitView]:
    """Plain tanks by what they hold."""
    found: dict[str, UnitView] = {}
    for unit in skid.units:
        if unit.type == "buffer_tank":
            holds = unit.holds or "treated-water"
            if holds not in ("treated-water", "oil") or holds in found:
                raise InputFileError(
                    f"skid {view.id}: {unit.id} holds {holds}; one tank each of treated-water and oil is simulated"
                )
            found[holds] = view.by_id[unit.id]
    return found


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
    return Strainer(design_flow=flow, clean_dp=clean, cleaned_at=plant.strainer_cleaned_at)


def _tank(unit: UnitView | None, flow: float, brine: Brine, plant: Plant) -> WeirTank | None:
    if unit is None:
        return None
    height = unit.params.get("height", 2.4)
    return WeirTank(
        area=unit.params.get("area", flow / OVERFLOW_RATE),
        height=height,
        normal_level=0.55 * height,
        oil_density=brine.oil_density,
        normal_flow=flow * plant.load,
        salt=brine.salt,
        temperature=plant.temperature,
        sludge=SETTLED * flow * plant.load * plant.solids * SLUDGE_HOURS,
    )


def _cyclone(present: bool, flow: float, brine: Brine, plant: Plant) -> Hydrocyclone | None:
    if not present:
        return None
    density, viscosity = brine.at(plant.temperature)
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


def _chemical(unit: UnitView, flow: float) -> Chemical:
    return Chemical(design_flow=flow, normal_dose=DOSE * flow, area=unit.params.get("area", flow / 12.0))


def _filters(view: SkidView, flow: float, plant: Plant, seed: int) -> FilterBank | None:
    units = view.of_type("media_filter")
    if not units:
        return None
    beds, washing = {}, {}
    for i, unit in enumerate(units):
        by: Literal["person", "controller"] = "controller" if unit.backwash_by == "controller" else "person"
        beds[unit.id] = MediaFilter(
            design_flow=flow / len(units),
            area=unit.params.get("bed_area", flow / len(units) / FILTER_RATE),
            depth=unit.params.get("bed_depth", 1.2),
            grain=unit.params.get("grain", 0.5) * 1e-3,
            capacity=1e12,
            automatic=by == "controller",
        )
        random = generator(seed, view.id, "operator" if i == 0 else f"operator/{unit.id}")
        washing[unit.id] = WashControl(by, unit.limits["dp_terminal"], random, plant.wash_timer)
    return FilterBank(beds, washing)


def _store(unit: UnitView | None, flow: float, brine: Brine) -> BufferTank | None:
    if unit is None:
        return None
    height = unit.params.get("height", 3.0)
    area = unit.params.get("area", TANK_HOURS * flow / height)
    return BufferTank(area=area, height=height, salt=brine.salt, usual=flow)


def _oil_tank(unit: UnitView | None, flow: float, brine: Brine) -> OilTank | None:
    if unit is None:
        return None
    height = unit.params.get("height", 2.5)
    return OilTank(area=unit.params.get("area", flow / 4.0), height=height, oil_density=brine.oil_density)


def _press(present: bool, flow: float, plant: Plant) -> FilterPress | None:
    if not present:
        return None
    hourly = flow * plant.load * plant.solids / SLUDGE_SOLIDS
    return FilterPress(batch=PRESS_HOURS * hourly)


def _normal(train: Train, wanted: float, plant: Plant) -> Normal:
    """Inflow that keeps the level when reject, float and wash water come back."""
    back = train.cyclone.split * wanted if train.cyclone else 0.0
    if train.flotation:
        back += 0.015 * (wanted - back)
    if train.filters:
        volume = added(bed.wash_rate * bed.area * bed.wash_minutes / 60.0 for bed in train.filters.beds.values())
        back += volume / plant.run_hours
    return Normal(wanted - back, wanted, plant.oil, plant.solids)


def _run_in(train: Train, normal: Normal, plant: Plant) -> None:
    """Let the tank settle, then size the beds' capacity by what reaches them and set their place in a run."""
    quiet = Conditions()
    steps = int(WARM_UP_HOURS / DT)
    before: dict[str, Deposit] = {}
    for step in range(steps):
        if train.filters and step == steps // 2:
            before = {name: bed.loose for name, bed in train.filters.beds.items()}
        train.step(normal.at(plant.temperature), quiet)
    if not train.filters:
        return
    for i, (name, bed) in enumerate(train.filters.beds.items()):
        caught = bed.loose.plus(before[name], -1.0)
        hourly = Deposit().plus(caught, 2.0 / WARM_UP_HOURS)
        over = (plant.run_started + i / len(train.filters.beds)) % 1.0  # beds side by side take turns
        bed.law = plant.law
        bed.capacity = hourly.mass * plant.run_hours / RESISTANCE_AT_END[plant.law]
        started = Deposit().plus(hourly, plant.run_hours * over)
        train.came = train.came.plus(Stock(oil=started.oil - bed.loose.oil, solids=started.solids - bed.loose.solids))
        bed.loose = started
        train.filters.washing[name].since_wash = plant.run_hours * over
