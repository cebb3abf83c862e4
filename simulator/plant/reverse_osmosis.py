"""Reverse osmosis: permeate by net driving pressure, salt by leakage, pressure raised to hold the recovery.

Qp = A·TCF·(Pf − ΔP/2 − Pp − π(Cfb) + π(Cp)), TCF = exp(K(1/298.15 − 1/T)) with K 3020 below and 2640
above 25 °C, Cfb = Cf·ln(1/(1−Y))/Y: the terms of ASTM D4516 (constants from memory); bundle drop ∝ Q^1.5.
Where the highest pressure does not overcome osmosis, recovery falls, to nothing if need be.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log
from typing import ClassVar

from simulator.plant.conditions import Conditions
from simulator.plant.drops import NO_DROPS, scaled
from simulator.plant.osmosis import conductivity, osmotic_pressure
from simulator.plant.water import Stream

DRIVING = 1500.0  # kPa of net driving pressure at the design point (common practice, no source)
BUNDLE = 150.0  # kPa from feed to concentrate at design flow (common practice, no source)
PERMEATE = 50.0  # kPa
PASSAGE = 0.01  # permeate over mean feed salt at the design point (common practice, no source)
LEAST = 0.02  # recovery below which nothing worth the name is made
FOULED_FLOW, FOULED_DROP = 0.12, 0.20
SCALED_FLOW, SCALED_DROP, SCALED_PASSAGE = 0.15, 0.08, 0.4
TORN_FLOW, TORN_PASSAGE = 0.08, 2.0


@dataclass(slots=True)
class ReverseOsmosis:
    """``design_flow`` m³/h of feed at ``recovery``; ``highest`` kPa that pump and vessels bear."""

    design_flow: float
    recovery: float = 0.5
    highest: float = 8270.0
    flow: float = 0.0
    permeate: float = 0.0
    feed_pressure: float = 0.0
    drop: float = 0.0
    feed_salt: float = 0.0
    permeate_salt: float = 0.0
    density: float = 1000.0
    celsius: float = 25.0

    ROLES: ClassVar[tuple[str, ...]] = (
        "feed_flow", "feed_pressure", "concentrate_pressure", "permeate_pressure", "permeate_flow",
        "feed_conductivity", "permeate_conductivity", "temperature",
    )  # fmt: skip

    def step(self, feed: Stream, density: float, celsius: float, now: Conditions) -> tuple[Stream, Stream]:
        """(permeate, concentrate) of the ``feed``."""
        self.flow, self.feed_salt, self.density, self.celsius = feed.flow, feed.salt, density, celsius
        if feed.flow <= 0.0:
            self.permeate = self.feed_pressure = self.drop = 0.0
            return Stream(salt=self.permeate_salt), Stream()
        taken = self._reached(feed, celsius, now)
        self.permeate = taken * feed.flow
        water = Stream(self.permeate, NO_DROPS, 0.0, self.permeate_salt)
        return water, _rest(feed, water)

    def _reached(self, feed: Stream, celsius: float, now: Conditions) -> float:
        """The recovery that the pump can hold; sets the pressures and the permeate's salt."""
        needed = self._pressure(self.recovery, feed, celsius, now)
        if needed <= self.highest:
            self.feed_pressure = needed
            return self.recovery
        self.feed_pressure = self.highest
        low, high = LEAST, self.recovery
        if self._pressure(low, feed, celsius, now) > self.highest:
            self.permeate_salt = 0.0
            return 0.0
        for _ in range(30):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self._pressure(middle, feed, celsius, now) <= self.highest else (low, middle)
        self.permeate_salt = self._passed(low, _mean_salt(feed.salt, low), feed, now)
        return low

    def _pressure(self, taken: float, feed: Stream, celsius: float, now: Conditions) -> float:
        """Feed pressure, kPa, at which the share ``taken`` of the feed becomes permeate."""
        factor = 3020.0 if celsius < 25.0 else 2640.0
        water = self.recovery * self.design_flow / DRIVING * exp(factor * (1.0 / 298.15 - 1.0 / (celsius + 273.15)))
        water *= 1.0 - FOULED_FLOW * now.membrane_fouling - SCALED_FLOW * now.membrane_scaling
        water *= 1.0 + TORN_FLOW * now.membrane_damage
        narrow = 1.0 + FOULED_DROP * now.membrane_fouling + SCALED_DROP * now.membrane_scaling
        self.drop = BUNDLE * narrow * (feed.flow * (1.0 - 0.5 * taken) / (0.75 * self.design_flow)) ** 1.5
        outside = _mean_salt(feed.salt, taken)
        self.permeate_salt = self._passed(taken, outside, feed, now)
        osmotic = osmotic_pressure(outside, celsius) - osmotic_pressure(self.permeate_salt, celsius)
        return taken * feed.flow / water + 0.5 * self.drop + PERMEATE + osmotic

    def _passed(self, taken: float, outside: float, feed: Stream, now: Conditions) -> float:
        """Salt in the permeate, g/L: a leakage in proportion to the salt ``outside``, thinned by what passes."""
        leak = PASSAGE * (1.0 + TORN_PASSAGE * now.membrane_damage + SCALED_PASSAGE * now.membrane_scaling)
        share = leak * self.recovery * self.design_flow / (taken * feed.flow)
        return share * outside if share < 1.0 else feed.salt

    def readings(self) -> tuple[float, ...]:
        """Values in the order of ROLES: m³/h, kPa ×3, m³/h, mS/cm ×2, °C."""
        concentrate = max(0.0, self.feed_pressure - self.drop)
        return (
            self.flow, self.feed_pressure, concentrate, PERMEATE if self.permeate > 0.0 else 0.0, self.permeate,
            conductivity(self.feed_salt, self.density, self.celsius),
            conductivity(self.permeate_salt, 1000.0, self.celsius), self.celsius,
        )  # fmt: skip


def _mean_salt(feed: float, taken: float) -> float:
    """Log-mean salt along the membrane, g/L."""
    return feed * log(1.0 / (1.0 - taken)) / taken


def _rest(feed: Stream, taken: Stream) -> Stream:
    """What remains of ``feed`` when ``taken`` has left it."""
    flow = feed.flow - taken.flow
    gain = feed.flow / flow
    salt = (feed.flow * feed.salt - taken.flow * taken.salt) / flow
    return Stream(flow, scaled(feed.oil, gain), feed.solids * gain, salt)
