"""Filter press: a batch of sludge is pressed to a cake; the filtrate goes back to the head of the plant.

The cake's resistance grows with what has passed, and the pump gives less the more it is held up:
q = Pmax/(m + r·V + Pmax/q0), P = q·(m + r·V), a cycle ending at 6 % of the initial flow. (UFC 3-280-03,
2003: pressure climbs to 690 to 1550 kPa while the flow decays to 5 to 7 % of the initial.)
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

from simulator.plant.conditions import Conditions
from simulator.plant.ledger import Stock
from simulator.plant.water import DRY, Stream

ENDS_AT = 0.06  # share of the initial flow
FULL_TO_FLOW = 0.28  # h that a batch would take at the initial flow: a cycle is then 2.5 h
CLOTH, BLINDED = 0.2, 6.8  # resistance of a clean cloth, and what a blinded one adds, in Pmax/q0
TORN_CAKE, TORN_SOLIDS = 0.85, 0.5  # of a torn cloth: share of cake resistance lost, share of solids let through
KEPT_OIL = 0.5  # share of the sludge's oil that stays in the cake (common practice, no source)
CYCLE_HOURS, OPEN_MINUTES = 6.0, 30
GRAMS_PER_M3 = 1e6  # of water; the cake is half water by mass (common practice, no source)


@dataclass(slots=True)
class FilterPress:
    """``batch`` m³ of sludge a cycle; ``highest`` kPa."""

    batch: float
    highest: float = 1000.0
    sludge: Stock = field(default_factory=Stock)  # waits in the sludge tank
    cake: Stock = field(default_factory=Stock)  # in the press
    pressing: bool = False
    passed: float = 0.0  # m³ in this cycle
    minutes: int = 0  # of this cycle, or of being open
    flow: float = 0.0
    pressure: float = 0.0

    ROLES: ClassVar[tuple[str, ...]] = ("feed_pressure", "feed_flow", "cycle")

    def step(self, dt: float, sludge: Stream, now: Conditions) -> tuple[Stream, Stock | None]:
        """Take ``sludge``; (filtrate, the cake that is dropped in this step, if one is)."""
        self.sludge.add(sludge, dt)
        self.minutes += 1
        self.flow = self.pressure = 0.0
        if not self.pressing:
            self.pressing = self.minutes > OPEN_MINUTES and self.sludge.water >= 1.05 * self.batch
            self.minutes = 0 if self.pressing else self.minutes
            return DRY, None
        initial = self.batch / FULL_TO_FLOW
        unit = self.highest / initial
        cloth = unit * (CLOTH + BLINDED * now.cloth_blinding)
        cake = unit * (1.0 / ENDS_AT - 1.0 - CLOTH) / self.batch * (1.0 - TORN_CAKE * now.cloth_torn)
        resistance = cloth + cake * self.passed
        self.flow = self.highest / (resistance + unit)
        self.pressure = self.flow * resistance
        volume = min(self.flow * dt, 0.999 * self.sludge.water)
        self.passed += volume
        filtrate = self._squeeze(volume, dt, TORN_SOLIDS * now.cloth_torn)
        if self.flow < ENDS_AT * initial or self.minutes > CYCLE_HOURS * 60 or self.sludge.water < 0.05 * self.batch:
            return filtrate, self._open()
        return filtrate, None

    def _squeeze(self, volume: float, dt: float, through: float) -> Stream:
        share = volume / self.sludge.water
        taken = Stock(volume, self.sludge.oil * share, self.sludge.solids * share, self.sludge.salt * share)
        solids = taken.solids * (1.0 - through) * 0.98
        water = min(solids / GRAMS_PER_M3, 0.5 * volume)
        kept = Stock(water, taken.oil * KEPT_OIL, solids, taken.salt * water / volume)
        self.cake = self.cake.plus(kept)
        self.sludge = self.sludge.plus(Stock(-taken.water, -taken.oil, -taken.solids, -taken.salt))
        left = volume - water
        oil = (taken.oil - kept.oil) / left
        return Stream(left / dt, (0.0, 0.2 * oil, 0.8 * oil, 0.0, 0.0, 0.0), (taken.solids - solids) / left,
                      (taken.salt - kept.salt) / left)  # fmt: skip

    def _open(self) -> Stock:
        dropped, self.cake = self.cake, Stock()
        self.pressing, self.passed, self.minutes = False, 0.0, 0
        return dropped

    def held(self) -> Stock:
        """In the sludge tank and in the press."""
        return self.sludge.plus(self.cake)

    def readings(self) -> tuple[float, ...]:
        """Values in the order of ROLES: kPa, m³/h, 0/1."""
        return self.pressure, self.flow, 1.0 if self.pressing else 0.0
