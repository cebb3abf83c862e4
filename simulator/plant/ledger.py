"""What crossed the fence: the other side of every balance."""

from __future__ import annotations

from dataclasses import dataclass

from simulator.plant.water import Stream


@dataclass(slots=True)
class Stock:
    """Water m³, oil g, solids g, salt kg: held in a unit, or passed over the fence."""

    water: float = 0.0
    oil: float = 0.0
    solids: float = 0.0
    salt: float = 0.0

    def add(self, stream: Stream, hours: float) -> None:
        """What ``stream`` brings in ``hours``."""
        volume = stream.flow * hours
        if volume == 0.0:
            return
        a, b, c, d, e, f = stream.oil
        self.water += volume
        self.oil += volume * (a + b + c + d + e + f)
        self.solids += volume * stream.solids
        self.salt += volume * stream.salt

    def plus(self, other: Stock) -> Stock:
        """Both together."""
        return Stock(self.water + other.water, self.oil + other.oil, self.solids + other.solids, self.salt + other.salt)
