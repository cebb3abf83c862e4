"""Weir tank: oil rises by Stokes' law while the water crosses three mixed cells in a row.

Oil that reaches the top joins the pad; a weir skims what stands above it. Three cells give the spread
of residence times of a baffled tank between plug flow and a stirred pot. Solids settle from the mixed
water; what comes back with wash water is flocculated and settles at once. Where the oil is emulsified a
rag layer of oil and water grows below the pad. Every step is implicit in the outflow and the rise, so
that water, oil, solids and salt balance to rounding.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

from simulator.plant.conditions import Conditions
from simulator.plant.drops import (
    DIAMETERS,
    NO_DROPS,
    Drops,
    blend,
    dot,
    mixed_and_lifted,
    scaled,
    sheared,
    times,
    total,
)
from simulator.plant.ledger import Stock
from simulator.plant.water import DRY, Stream, added
from skidhand.brine import GRAVITY

CELLS = 3
SECONDS = 3600.0
CALM_RATE = 2.0  # m/h of inflow over area above which the pad is torn (common practice, no source)
TEARING = 0.08  # share of the pad torn loose an hour at twice the calm rate (common practice, no source)
TORN: Drops = (0.0, 0.02, 0.08, 0.25, 0.4, 0.25)  # droplet sizes of torn oil
SETTLED = 0.4  # share of the pad's solids that settles at the normal flow (common practice, no source)
FLOCCULATED = 0.95  # share of returned solids that settles at once (common practice, no source)
SLUDGE_HOURS = 48.0  # mean time that sludge lies before it is drawn
SLUDGE_SOLIDS = 50_000.0  # g solids per m³ of drawn sludge
SLUDGE_BED = 300_000.0  # g solids per m³ of sludge as it lies (common practice, no source)
RAG_GROWTH = 0.15 / 24.0  # m/h of rag in a full emulsion
RAG_BREAKS = 0.1  # 1/h once the emulsion is over
EMULSIFIED = 0.25  # share of droplets that an emulsion keeps one class finer
RIPPLE = 0.014  # m: how ragged the interface is in a full emulsion


@dataclass(slots=True)
class WeirTank:
    """``area`` m², ``height`` m to the rim; oil per droplet class in mg/L; ``salt`` g/L at the start."""

    area: float
    height: float = 2.4
    normal_level: float = 1.3
    skim_weir: float = 0.10  # pad thickness, m, above which oil runs over
    skim_rate: float = 5.0  # 1/h of the pad above the weir
    oil_density: float = 834.0
    normal_flow: float = 9.0
    salt: float = 90.0
    pad_weight: float = field(init=False)  # g of oil in a pad of 1 m
    water: float = field(init=False)
    pad: float = field(init=False)  # g of oil
    oil: list[Drops] = field(init=False)  # CELLS × classes, mg/L
    salt_mass: float = field(init=False)  # kg, rag water included
    solids_mass: float = 0.0  # g afloat
    sludge: float = 0.0  # g of solids
    rag_water: float = 0.0  # m³
    rag_oil: float = 0.0  # g
    temperature: float = 25.0
    inflow: float = 0.0
    total_in: float = 0.0
    skim: float = 0.0
    overflow: float = 0.0
    drawn: float = 0.0  # m³/h of sludge
    ripple: float = 0.0  # m on the interface

    ROLES: ClassVar[tuple[str, ...]] = (
        "inlet_flow", "inlet_total", "level", "interface_level", "skim_flow", "skim_valve", "temperature",
        "outlet_oil", "sludge_level",
    )  # fmt: skip

    def __post_init__(self) -> None:
        self.pad_weight = self.area * self.oil_density * 1000.0
        thickness = self.skim_weir * 1.05
        self.pad = thickness * self.pad_weight
        self.water = (self.normal_level - thickness) * self.area
        self.oil = [NO_DROPS for _ in range(CELLS)]
        self.salt_mass = self.salt * self.water

    @property
    def thickness(self) -> float:
        """Oil pad, m."""
        return self.pad / self.pad_weight

    @property
    def rag(self) -> float:
        """Rag layer, m."""
        return self.rag_water / self.area + self.rag_oil / self.pad_weight

    @property
    def sludge_depth(self) -> float:
        """Sludge on the bottom, m."""
        return self.sludge / SLUDGE_BED / self.area

    @property
    def interface(self) -> float:
        """Top of the clear water above the bottom, m; sludge lies below it."""
        return (self.water + self.sludge / SLUDGE_BED) / self.area

    @property
    def level(self) -> float:
        """Top of the oil above the bottom, m."""
        water = self.water + self.rag_water + self.sludge / SLUDGE_BED
        return water / self.area + (self.pad + self.rag_oil) / self.pad_weight

    @property
    def outlet_oil(self) -> Drops:
        """Oil leaving, mg/L per droplet class."""
        return self.oil[-1]

    def held(self) -> Stock:
        """All that is in the tank."""
        afloat = self._afloat() * self.water
        return Stock(
            self.water + self.rag_water,
            self.pad + self.rag_oil + afloat,
            self.solids_mass + self.sludge,
            self.salt_mass,
        )

    def step(
        self,
        dt: float,
        feed: Stream,
        back: Stream,
        sand: float,
        feed_temperature: float,
        outflow: float,
        density: float,
        viscosity: float,
        emulsion: float,
        now: Conditions,
    ) -> tuple[Stream, Stream, Stream]:
        """Take ``feed``, ``back`` and ``sand`` (g/h), give ``outflow`` m³/h; (outlet, overflow, drawn sludge)."""
        inflow = feed.flow + back.flow
        self.drawn = now.sludge_draw * self.sludge / SLUDGE_HOURS / SLUDGE_SOLIDS
        before = self.water
        room = (self.height - self.thickness - self.rag) * self.area - self.sludge / SLUDGE_BED
        self.overflow = max(0.0, (before + (inflow - outflow - self.drawn) * dt - room) / dt)
        after = before + (inflow - outflow - self.drawn - self.overflow) * dt
        self._skim(dt, now.skim_open)
        torn = self._tear(dt, inflow)
        oil = blend(feed.flow, feed.oil, back.flow, back.oil)
        if emulsion > 0.0:
            oil = sheared(oil, EMULSIFIED * emulsion)
        self._cross(dt, inflow, oil, torn, before, after, density, viscosity)
        leaving = self._settle(dt, feed, back, sand, outflow, after)
        self._age_rag(dt, emulsion)
        self.temperature += (feed_temperature - self.temperature) * min(1.0, feed.flow * dt / max(after, 0.1))
        self.inflow = feed.flow
        self.total_in += feed.flow * dt
        return leaving

    def _skim(self, dt: float, passage: float) -> None:
        above = self.thickness - self.skim_weir
        if above <= 0.0:
            self.skim = 0.0
            return
        self.skim = passage * min(self.skim_rate * above * self.area, above * self.area / dt)
        self.pad -= self.skim * dt * self.oil_density * 1000.0

    def _tear(self, dt: float, inflow: float) -> float:
        """Oil torn off the pad by too much flow, g/h."""
        excess = inflow / (self.area * CALM_RATE) - 1.0
        if excess <= 0.0:
            return 0.0
        torn = min(self.pad * TEARING * excess, 0.5 * self.pad / dt)
        self.pad -= torn * dt
        return torn

    def _cross(
        self,
        dt: float,
        inflow: float,
        mass: Drops,
        torn: float,
        before: float,
        after: float,
        density: float,
        viscosity: float,
    ) -> None:
        quiet = self.area * (1.0 - 0.5 * min(1.0, self.sludge / SLUDGE_BED / self.area / self.normal_level))
        across = quiet / CELLS * SECONDS
        lifted = scaled(rise_velocity(density, self.oil_density, viscosity), across)
        growth = (after - before) / dt / CELLS
        flow = inflow
        start = before / CELLS
        end = after / CELLS
        for cell in range(CELLS):
            flow -= growth
            if torn and cell == CELLS - 1:
                mass = blend(1.0, mass, torn, TORN)
            content = mixed_and_lifted(start, self.oil[cell], dt, mass, end + dt * flow, lifted)
            self.pad += dt * dot(lifted, content)
            self.oil[cell] = content
            if cell < CELLS - 1:
                mass = scaled(content, flow)
        self.water = after

    def _settle(
        self, dt: float, feed: Stream, back: Stream, sand: float, outflow: float, after: float
    ) -> tuple[Stream, Stream, Stream]:
        """Mix salt and solids, let solids settle; (outlet, overflow, drawn sludge)."""
        floc = FLOCCULATED * back.flow * back.solids * dt
        fine = (feed.flow * feed.solids + back.flow * back.solids) * dt - floc
        falls = SETTLED / (1.0 - SETTLED) * self.normal_flow  # m³/h whose solids settle
        leaving = outflow + self.overflow
        afloat = (self.solids_mass + fine) / (after + dt * (leaving + falls))
        self.solids_mass = afloat * after
        drawn = self.drawn * SLUDGE_SOLIDS * dt
        self.sludge += floc + afloat * falls * dt + sand * dt - drawn
        brine = self.salt_mass + (feed.flow * feed.salt + back.flow * back.salt) * dt
        self.salt = brine / (after + self.rag_water + dt * (leaving + self.drawn))
        self.salt_mass = self.salt * (after + self.rag_water)
        oil = self.oil[-1]
        return (
            Stream(outflow, oil, afloat, self.salt),
            Stream(self.overflow, oil, afloat, self.salt) if self.overflow else DRY,
            Stream(self.drawn, oil, SLUDGE_SOLIDS, self.salt),
        )

    def _age_rag(self, dt: float, emulsion: float) -> None:
        """Rag grows half of the pad's oil and half of water while oil is emulsified; later it breaks."""
        if emulsion > 0.0:
            volume = min(0.5 * RAG_GROWTH * emulsion * self.area * dt, 0.2 * self.water)
            oil = min(self.pad, volume * self.oil_density * 1000.0)
            self.pad -= oil
            self.rag_oil += oil + volume * self._afloat()
            self.rag_water += volume
            self.water -= volume
        elif self.rag_oil > 0.0:
            share = RAG_BREAKS * dt
            self.pad += self.rag_oil * share
            self.rag_oil *= 1.0 - share
            freed = self.rag_water * share
            thinner = self.water / (self.water + freed)
            self.oil = [scaled(cell, thinner) for cell in self.oil]
            self.water += freed
            self.rag_water -= freed

    def _afloat(self) -> float:
        """Mean oil in the cells, mg/L."""
        return added(map(total, self.oil)) / CELLS

    def readings(self) -> tuple[float, ...]:
        """Values in the order of ROLES: m³/h, m³, m, m, m³/h, 0/1, °C, mg/L, m."""
        return (
            self.inflow, self.total_in, self.level, self.interface + self.ripple, self.skim,
            1.0 if self.thickness > self.skim_weir + 1e-4 else 0.0, self.temperature, total(self.oil[-1]),
            self.sludge_depth,
        )  # fmt: skip


_SQUARES = scaled(times(DIAMETERS, DIAMETERS), GRAVITY / 18e-3)


def rise_velocity(density: float, oil_density: float, viscosity: float) -> Drops:
    """Stokes rise of each droplet class, m/s.

    The law of :func:`skidhand.brine.stokes_velocity` without its range checks: every plant step calls it.
    """
    return scaled(_SQUARES, (density - oil_density) / viscosity)
