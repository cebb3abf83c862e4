"""Return sump: reject, wash water, float and filtrate fall into it and are pumped back to the weir tank."""

from __future__ import annotations

from dataclasses import dataclass, field

from simulator.plant.drops import COALESCED, scaled
from simulator.plant.ledger import Stock
from simulator.plant.water import DRY, Stream

MOST = 0.12  # most that the sump gives back, as a share of design flow (common practice, no source)


@dataclass(slots=True)
class Sump:
    """Holds what comes so that a wash does not flood the tank; its oil has run together."""

    design_flow: float
    most: float = MOST
    stock: Stock = field(default_factory=Stock)

    def collect(self, stream: Stream, dt: float) -> None:
        """Take ``stream`` for ``dt`` hours."""
        if stream.flow > 0.0:
            self.stock.add(stream, dt)

    def give(self, dt: float) -> Stream:
        """What goes back to the tank in the next ``dt`` hours."""
        stock = self.stock
        if stock.water <= 0.0:
            return DRY
        flow = min(stock.water / dt, self.most * self.design_flow)
        share = flow * dt / stock.water
        oil = stock.oil / stock.water
        back = Stream(flow, scaled(COALESCED, oil), stock.solids / stock.water, stock.salt / stock.water)
        stock.water -= flow * dt
        stock.oil -= stock.oil * share
        stock.solids -= stock.solids * share
        stock.salt -= stock.salt * share
        return back
