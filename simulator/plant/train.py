"""The train: units joined by pipes, stepped a minute at a time.

pad ─▶ strainer ─▶ weir tank ─▶ feed pump ─▶ hydrocyclone ─▶ flotation ─▶ media filters ─▶ reverse osmosis ─┐
                     ▲    │ sludge               │ reject       │ float     │ wash       concentrate out ◀──┤
                     │    ▼                      ▼              ▼           ▼                               ▼
                     │   press ─ filtrate ──▶ return sump ◀─────┴───────────┘            treated-water tank ─▶ outlet
                     └────────────────────────────┘

A unit that a skid lacks is left out. What comes back falls into a return sump that is pumped to the tank,
so that a wash does not flood it. Water, oil, solids and salt balance to rounding.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf
from typing import ClassVar, Protocol

from simulator.plant.buffer_tank import BufferTank, OilTank
from simulator.plant.chemical import Chemical
from simulator.plant.conditions import Conditions
from simulator.plant.drops import Drops, scaled, sheared
from simulator.plant.feed_pump import FeedPump
from simulator.plant.filter_bank import FilterBank
from simulator.plant.filter_press import FilterPress
from simulator.plant.flotation import PH_DOSED, Flotation
from simulator.plant.hydrocyclone import Hydrocyclone
from simulator.plant.ledger import Stock
from simulator.plant.outlet import Outlet
from simulator.plant.reverse_osmosis import ReverseOsmosis
from simulator.plant.services import Services
from simulator.plant.strainer import Strainer
from simulator.plant.sump import Sump
from simulator.plant.water import DRY, Brine, Stream, mixed
from simulator.plant.weir_tank import RIPPLE, WeirTank
from skidhand.brine import GRAVITY

DT = 1.0 / 60.0  # h
LOW_LEVEL, ENOUGH = 0.35, 0.6  # m: the skid's own trip stops the pump below the one and lets it go above the other
TRIM = 0.5  # relative change of flow per relative change of level
VALVE_LOSS = 20.0  # kPa: least drop of the valve that holds the cyclone's outlet pressure
PAD_HEAD = 30.0  # kPa at the pump where there is no tank
PH_GAIN = 1.5  # of the caustic's controller, normal doses a pH unit
MOST_ASKED = 2.5


class Readable(Protocol):
    """What every unit shows to its instruments."""

    ROLES: ClassVar[tuple[str, ...]]

    def readings(self) -> tuple[float, ...]:
        """Values in the order of ROLES."""


@dataclass(slots=True)
class FeedNow:
    """One minute of feed in absolute terms: m³/h, m³/h asked of the pump, mg/L, mg/L, °C, °C; ``ripple`` ~ N(0, 1)."""

    inflow: float
    wanted: float
    oil: float
    solids: float
    temperature: float
    ambient: float
    ripple: float = 0.0


@dataclass(slots=True)
class Train:
    """One skid's units; ``droplets`` is the size mix of the oil in the feed, shares of each class.

    ``ids`` gives the unit id of each type of which there is at most one.
    """

    brine: Brine
    droplets: Drops
    pump: FeedPump
    sump: Sump
    ids: dict[str, str] = field(default_factory=dict)
    strainer: Strainer | None = None
    tank: WeirTank | None = None
    cyclone: Hydrocyclone | None = None
    flotation: Flotation | None = None
    chemicals: dict[str, Chemical] = field(default_factory=dict)
    filters: FilterBank | None = None
    membranes: ReverseOsmosis | None = None
    store: BufferTank | None = None
    oil_tank: OilTank | None = None
    press: FilterPress | None = None
    outlet: Outlet = field(default_factory=Outlet)
    services: Services = field(default_factory=Services)
    came: Stock = field(default_factory=Stock)
    left: Stock = field(default_factory=Stock)
    density: float = 1000.0
    viscosity: float = 1.0
    celsius: float = 25.0
    low: bool = False  # the low-level trip stands
    doses: dict[str, float] = field(default_factory=dict)
    diverted: Sump = field(init=False)  # the pipe back to the head: what goes in comes out a step later
    _reading: list[Readable] = field(init=False)

    def step(self, feed: FeedNow, now: Conditions) -> None:
        """One minute."""
        on = not (now.stopped or now.tripped or self.low or now.power < 0.5 or (self.store and self.store.full))
        shut_in = now.stopped or now.divert
        salt = self.brine.salt if now.salt == 1.0 else self.brine.salt * now.salt
        pad = Stream(0.0 if shut_in else feed.inflow, scaled(self.droplets, feed.oil), feed.solids, salt)
        self.celsius = feed.temperature if self.tank is None else self.tank.temperature
        self.density, self.viscosity = self.brine.at(self.celsius, self.tank.salt if self.tank else salt)
        if self.strainer:
            self.strainer.step(DT, pad.flow, self.density, now)
        if self.filters:
            self.filters.started = []
            if on:
                self.filters.start_washes(now)
        flow = self.pump.ramp(DT, self._wanted(feed, on), now)
        self.services.step(DT, on, flow > 0.0, feed.ambient, self.celsius, feed.ripple, now)
        self._dose(flow, now)
        water = self._settle(pad, feed, flow, now)
        water = self._treat(water, feed.ripple, now)
        self._press(now)
        self._leave(water, now)

    def held(self) -> Stock:
        """All that is inside the fence."""
        stock = self.sump.stock.plus(self.diverted.stock)
        for unit in (self.tank, self.filters, self.store, self.oil_tank, self.press):
            if unit is not None:
                stock = stock.plus(unit.held())
        return stock

    def columns(self) -> tuple[tuple[str, str], ...]:
        """(unit id, role) of each of the :meth:`readings`; the type stands for the id of a unit without one."""
        return tuple((name, role) for name, unit in self._units().items() for role in unit.ROLES)

    def readings(self) -> list[float]:
        """Values of the :meth:`columns`, each in the unit that the unit type declares for the role."""
        values: list[float] = []
        for unit in self._reading:
            values += unit.readings()
        return values

    def __post_init__(self) -> None:
        self.diverted = Sump(self.pump.design_flow, most=inf)
        self._reading = list(self._units().values())

    def _units(self) -> dict[str, Readable]:
        single: dict[str, Readable | None] = {
            "strainer": self.strainer,
            "weir_tank": self.tank,
            "feed_pump": self.pump,
            "hydrocyclone": self.cyclone,
            "flotation": self.flotation,
            "reverse_osmosis": self.membranes,
            "treated-water": self.store,
            "oil": self.oil_tank,
            "filter_press": self.press,
            "outlet": self.outlet,
            "skid": self.services,
        }
        found = {self.ids.get(kind, kind): unit for kind, unit in single.items() if unit is not None}
        return {**found, **self.chemicals, **(self.filters.beds if self.filters else {})}

    def _wanted(self, feed: FeedNow, on: bool) -> float:
        """Flow asked of the pump: the operator's set point, trimmed to keep the tank's level."""
        level = self.tank.level if self.tank else 0.0
        if self.tank:
            self.low = level < (ENOUGH if self.low else LOW_LEVEL)
        if not on or self.low or (self.filters and not self.filters.in_service()):
            return 0.0
        if self.tank is None:
            return feed.wanted
        off = level / self.tank.normal_level - 1.0
        return feed.wanted * (1.0 + min(0.25, max(-0.4, TRIM * off)))

    def _dose(self, flow: float, now: Conditions) -> None:
        """Caustic by pH where there is flotation, every other chemical by flow."""
        for i, (name, chemical) in enumerate(self.chemicals.items()):
            asked = 1.0
            if self.flotation and i == 0:
                asked = min(MOST_ASKED, max(0.0, 1.0 + PH_GAIN * (PH_DOSED - self.flotation.ph)))
            self.doses[name] = chemical.step(DT, flow, asked, now.of(name))

    def _emulsion(self, now: Conditions) -> float:
        """An emulsion comes from the pad, from too little demulsifier or from far too much (common practice)."""
        emulsion = now.emulsion
        if self.pump.flow > 0.0:
            for name in list(self.chemicals)[1 if self.flotation else 0 :]:
                dose = self.doses[name]
                emulsion += 0.5 * max(0.0, 0.95 - dose) + 0.3 * max(0.0, dose - 1.5)
        return min(1.0, emulsion)

    def _settle(self, pad: Stream, feed: FeedNow, flow: float, now: Conditions) -> Stream:
        """Water to the pump."""
        if self.tank is None:
            pad.flow = flow  # nothing to store it in: the pad gives what the pump takes
            self.came.add(pad, DT)
            return pad
        self.came.add(pad, DT)
        sand = pad.flow * now.sand
        self.came.solids += sand * DT
        emulsion = self._emulsion(now)
        self.tank.ripple = feed.ripple * RIPPLE * emulsion
        back = self.sump.give(DT)
        if self.diverted.stock.water > 0.0:
            back = mixed(back, self.diverted.give(DT))
        out, over, sludge = self.tank.step(
            DT, pad, back, sand, feed.temperature, flow, self.density, self.viscosity, emulsion, now
        )
        if over.flow:
            self.left.add(over, DT)
        self._skimmed(now)
        self._sludge(sludge, now)
        return out

    def _skimmed(self, now: Conditions) -> None:
        if self.tank is None:
            return
        leaves = self.tank.skim
        if self.oil_tank:
            leaves = self.oil_tank.step(DT, self.tank.skim, self.celsius, now.of(self.ids.get("oil", "oil")))
        self.left.oil += leaves * self.tank.oil_density * 1000.0 * DT

    def _sludge(self, sludge: Stream, now: Conditions) -> None:
        if self.press is None:
            self.left.add(sludge, DT)
            return
        filtrate, cake = self.press.step(DT, sludge, now)
        self.sump.collect(filtrate, DT)
        if cake is not None:
            self.left = self.left.plus(cake)

    def _treat(self, water: Stream, ripple: float, now: Conditions) -> Stream:
        """Cyclone, flotation, filters and membranes; what they reject is sent where it goes."""
        if self.cyclone:
            if now.shear > 0.0:
                water.oil = sheared(water.oil, now.shear)
            self.cyclone.hunting = ripple
            self.cyclone.pressures(water.flow, self._behind(water.flow, now), self.density, now)
            oil_density = self.brine.oil_density
            water, reject = self.cyclone.separate(DT, water, self.density, oil_density, self.viscosity, now)
            self._collect(reject)
        if self.flotation:
            caustic = next(iter(self.doses.values()), 1.0)
            water, froth = self.flotation.step(DT, water, caustic, now)
            self._collect(froth)
        if self.filters:
            water = self.filters.step(DT, water, self.density, self.viscosity, self.celsius, now)
        if self.membranes:
            water, concentrate = self.membranes.step(water, self.density, self.celsius, now)
            self.left.add(concentrate, DT)
        return water

    def _behind(self, flow: float, now: Conditions) -> float:
        """Pressure at the cyclone's water outlet: held by a valve, or what the filters behind need; 0 at no flow."""
        assert self.cyclone is not None
        outlet = self.cyclone.outlet_pressure + now.outlet_back_pressure * self.cyclone.design_dp
        if self.filters and not self.flotation:
            outlet = max(outlet, self.filters.outlet_pressure + self.filters.dp + VALVE_LOSS)
        return outlet * min(1.0, flow / (0.15 * self.cyclone.design_flow))

    def _press(self, now: Conditions) -> None:
        """Close the pump's pressures."""
        suction = PAD_HEAD
        if self.tank:
            suction = self.density * GRAVITY * self.tank.level / 1000.0 - 0.5
        if self.cyclone:
            discharge = self.cyclone.inlet
        elif self.filters and not self.flotation:
            discharge = self.filters.dp + self.filters.back_pressure
        else:
            discharge = suction
        self.pump.work(suction, max(discharge, suction), self.viscosity, self.celsius, now)

    def _collect(self, water: Stream) -> None:
        """Reject, float and wash water fall into the sump, or leave where there is no tank to take them back."""
        if self.tank:
            self.sump.collect(water, DT)
        else:
            self.left.add(water, DT)

    def _leave(self, water: Stream, now: Conditions) -> None:
        """Wash with treated water, store the rest and let it go."""
        wash = self.filters.wash_flow() if self.filters else 0.0
        if self.store:
            of = now.of(self.ids["treated-water"])
            wash = min(wash, self.store.to_give(DT))
            water, lost = self.store.step(DT, water, wash, self.density, self.celsius, of)
            own = self.store.water(wash) if wash else DRY  # as mixed in this step, like all that leaves the tank
            self.left.add(lost, DT)
        else:  # it comes from the treated-water tank beyond the fence, clear (common practice, no source)
            own = Stream(wash, salt=self.tank.salt if self.tank else self.brine.salt) if wash else DRY
            self.came.add(own, DT)
        if self.filters:
            self._collect(self.filters.wash(DT, own, now))
        density = self.density if self.membranes is None else self.brine.at(self.celsius, water.salt)[0]
        haze = self.flotation.haze if self.flotation and not self.membranes else 0.0
        self.outlet.step(DT, water, density, self.celsius, haze, now.divert)
        if now.divert and self.tank:
            self.diverted.collect(water, DT)
        else:
            self.left.add(water, DT)
