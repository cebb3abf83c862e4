"""The train: units joined by pipes, stepped a minute at a time.

pad ─▶ strainer ─▶ weir tank ─▶ feed pump ─▶ hydrocyclone ─▶ media filter ─▶ treated water
                       ▲                          │ reject         │ wash
                       └──────────────────────────┴── return sump ◀┘

A unit that a skid lacks is left out. Reject and wash water fall into a return sump that is pumped back
to the tank, so that a wash does not flood it. Water and oil balance to rounding.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from simulator.plant.conditions import Conditions
from simulator.plant.feed_pump import FeedPump
from simulator.plant.hydrocyclone import Hydrocyclone
from simulator.plant.media_filter import MediaFilter
from simulator.plant.strainer import Strainer
from simulator.plant.washing import WashControl
from simulator.plant.water import COALESCED, Brine, Floats, total
from simulator.plant.weir_tank import WeirTank
from skidhand.brine import GRAVITY

DT = 1.0 / 60.0  # h
UNITS = ("strainer", "weir_tank", "feed_pump", "hydrocyclone", "media_filter")
OUTLET_ROLES = ("flow", "total", "oil", "turbidity", "density")
SKID_ROLES = ("running", "ambient_temperature")
LOW_LEVEL = 0.35  # m: the skid's own trip stops the pump below it
SUMP_PUMP = 0.12  # most that the sump gives back, as a share of design flow (common practice, no source)
TRIM = 0.5  # relative change of flow per relative change of level
VALVE_LOSS = 20.0  # kPa: least drop of the valve that holds the cyclone's outlet pressure


@dataclass(slots=True)
class FeedNow:
    """One minute of feed in absolute terms: m³/h, m³/h asked of the pump, mg/L, mg/L, °C, °C."""

    inflow: float
    wanted: float
    oil: float
    solids: float
    temperature: float
    ambient: float


@dataclass
class Ledger:
    """What crossed the fence so far: water m³, oil g."""

    water_in: float = 0.0
    water_out: float = 0.0
    oil_in: float = 0.0
    oil_out: float = 0.0


@dataclass
class Train:
    """One skid's units; ``droplets`` is the size mix of the oil in the feed, shares of each class."""

    brine: Brine
    droplets: Floats
    pump: FeedPump
    strainer: Strainer | None = None
    tank: WeirTank | None = None
    cyclone: Hydrocyclone | None = None
    filter: MediaFilter | None = None
    washing: WashControl | None = None
    solids_passing: float = 0.6  # share of solids that does not settle in the tank
    ledger: Ledger = field(default_factory=Ledger)
    ambient: float = 20.0
    running: float = 1.0
    density: float = 1000.0
    treated_total: float = 0.0
    wash_started: bool = False
    wash_ended: bool = False
    sump: float = 0.0  # m³ of water
    sump_oil: float = 0.0  # g

    def step(self, feed: FeedNow, now: Conditions) -> None:
        """One minute."""
        inflow = 0.0 if now.stopped else feed.inflow
        self.running, self.ambient = (0.0 if now.stopped else 1.0), feed.ambient
        celsius = feed.temperature if self.tank is None else self.tank.temperature
        self.density, viscosity = self.brine.at(celsius)
        if self.strainer:
            self.strainer.step(DT, inflow, self.density, now)
        self._start_wash(now)
        flow = self.pump.ramp(DT, self._wanted(feed, now))
        oil = self._settle(inflow, feed, flow, viscosity)
        reject, reject_oil, oil = self._spin(flow, oil, viscosity, now)
        treated = flow - reject
        wash, wash_oil = self._filter(treated, oil, feed.solids, viscosity, celsius)
        self._press(viscosity, celsius)
        self._collect((reject + wash) * DT, reject_oil * DT + wash_oil)
        self._book(treated, wash, oil)

    def held(self) -> tuple[float, float]:
        """(water m³, oil g) inside the fence."""
        water, oil = self.sump, self.sump_oil
        if self.tank:
            water, oil = water + self.tank.water, oil + self.tank.held_oil()
        if self.filter:
            oil += self.filter.held_oil()
        return water, oil

    def columns(self) -> tuple[tuple[str, str], ...]:
        """(unit type, role) of each of the :meth:`readings`."""
        units = (self.strainer, self.tank, self.pump, self.cyclone, self.filter)
        found = [
            (name, role) for name, unit in zip(UNITS, units, strict=True) if unit is not None for role in unit.ROLES
        ]
        return (*found, *(("outlet", role) for role in OUTLET_ROLES), *(("skid", role) for role in SKID_ROLES))

    def readings(self) -> list[float]:
        """Values of the :meth:`columns`, each in the unit that the unit type declares for the role."""
        values: list[float] = []
        for unit in (self.strainer, self.tank, self.pump, self.cyclone, self.filter):
            if unit is not None:
                values += unit.readings()
        oil, turbidity = (self.filter.outlet_oil, self.filter.turbidity) if self.filter else (self._spun_oil(), 0.0)
        flow = self.pump.flow - (self.cyclone.reject if self.cyclone else 0.0)
        values += (flow, self.treated_total, oil, turbidity, self.density, self.running, self.ambient)
        return values

    def _spun_oil(self) -> float:
        return total(self.cyclone.oil_out) if self.cyclone else 0.0

    def _start_wash(self, now: Conditions) -> None:
        self.wash_started = False
        if self.filter and self.washing and not self.filter.washing and not now.stopped:
            self.wash_started = self.washing.decide(self.filter.dp, now.wash)
            if self.wash_started:
                self.filter.start_wash(now)

    def _wanted(self, feed: FeedNow, now: Conditions) -> float:
        """Flow asked of the pump: the operator's set point, trimmed to keep the tank's level."""
        if now.stopped or (self.filter and self.filter.washing):
            return 0.0
        if self.tank is None:
            return feed.wanted
        if self.tank.level < LOW_LEVEL:
            return 0.0
        off = self.tank.level / self.tank.normal_level - 1.0
        return feed.wanted * (1.0 + min(0.25, max(-0.4, TRIM * off)))

    def _settle(self, inflow: float, feed: FeedNow, flow: float, viscosity: float) -> Floats:
        """Oil to the pump, mg/L per droplet class."""
        if self.tank is None:
            inflow = flow  # nothing to store it in: the pad gives what the pump takes
        feed_oil = inflow * feed.oil * self.droplets
        self.ledger.oil_in += total(feed_oil) * DT
        self.ledger.water_in += inflow * DT
        if self.tank is None:
            return feed.oil * self.droplets
        back, back_oil = self._pump_back()
        self.tank.step(DT, inflow, feed_oil, back, back_oil, feed.temperature, flow, self.density, viscosity)
        skimmed = self.tank.skim * self.tank.oil_density * 1000.0
        self.ledger.oil_out += (skimmed + self.tank.lost_oil) * DT
        self.ledger.water_out += self.tank.overflow * DT
        return self.tank.outlet_oil.copy()

    def _spin(self, flow: float, oil: Floats, viscosity: float, now: Conditions) -> tuple[float, float, Floats]:
        """(reject m³/h, its oil g/h, oil to the filter mg/L per droplet class)."""
        if self.cyclone is None:
            return 0.0, 0.0, oil
        running = min(1.0, flow / (0.15 * self.cyclone.design_flow))
        behind = 0.0
        if self.filter:
            behind = self.filter.outlet_pressure + self.filter.dp + VALVE_LOSS
        outlet = max(self.cyclone.outlet_pressure, behind) * running
        self.cyclone.pressures(flow, outlet, self.density, now)
        self.cyclone.separate(DT, oil, self.density, self.brine.oil_density, viscosity)
        return self.cyclone.reject, total(self.cyclone.oil_reject), self.cyclone.oil_out

    def _filter(self, flow: float, oil: Floats, solids: float, viscosity: float, celsius: float) -> tuple[float, float]:
        """(wash water m³/h, oil in this minute's wash water g)."""
        if self.filter is None:
            return 0.0, 0.0
        passing = solids * self.solids_passing
        self.filter.step(DT, flow, oil, passing, self.density, viscosity, celsius)
        before = self.filter.washing
        wash_oil = self.filter.wash_step()
        self.wash_ended = before == 1
        return self.filter.wash_flow, wash_oil

    def _press(self, viscosity: float, celsius: float) -> None:
        """Close the pump's pressures; without a tank the pad's own head of 30 kPa stands at its suction."""
        suction = 30.0
        if self.tank:
            suction = self.density * GRAVITY * self.tank.level / 1000.0 - 0.5
        if self.cyclone:
            discharge = self.cyclone.inlet
        elif self.filter:
            discharge = self.filter.dp + self.filter.back_pressure
        else:
            discharge = suction
        self.pump.work(suction, max(discharge, suction), viscosity, celsius)

    def _pump_back(self) -> tuple[float, Floats]:
        """What the sump gives to the tank: (m³/h, oil g/h per droplet class)."""
        flow = min(self.sump / DT, SUMP_PUMP * self.pump.design_flow)
        share = flow * DT / self.sump if self.sump > 0.0 else 0.0
        oil = self.sump_oil * share
        self.sump -= flow * DT
        self.sump_oil -= oil
        return flow, oil / DT * COALESCED

    def _collect(self, water: float, oil: float) -> None:
        """Reject and wash water, m³ and g, fall into the sump."""
        if self.tank:
            self.sump += water
            self.sump_oil += oil
        else:  # then they go to a tank outside the fence
            self.ledger.water_out += water
            self.ledger.oil_out += oil

    def _book(self, treated: float, wash: float, oil: Floats) -> None:
        """Treated water leaves; wash water comes from outside, free of oil (common practice, no source)."""
        self.treated_total += treated * DT
        self.ledger.water_out += treated * DT
        self.ledger.water_in += wash * DT
        leaving = self.filter.outlet_oil if self.filter else total(oil)
        self.ledger.oil_out += leaving * treated * DT
