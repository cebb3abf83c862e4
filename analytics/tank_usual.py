"""What a settling tank usually lets out, and how that goes with its load.

An ideal settler lets the share 1 − v A/Q of a droplet size through, v its rise by Stokes' law ∝ 1/µ (API Publication
421), so that oil depends on flow and viscosity through the load Q µ alone. Near a usual load ln(oil) is a straight
line in ln(Q µ). Its slope is the tank's own where the load has moved; before that it is SLOPE.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, log
from statistics import median

from pydantic import BaseModel, ConfigDict

# Common practice, no source, unless said otherwise.
SLOPE = 1.2  # of ln(oil) in ln(load): +30 % flow gives a third more oil
SLOPE_WEIGHT = 0.03  # hours times squared ln(load) that count as much as this assumption
SLOPE_MOST = 3.0
MOVED = 0.10  # ln(load) off the usual from which an hour tells of the slope
ROBUST = 1.4826  # MAD to standard deviation of normal noise: 1/Φ⁻¹(0.75)


class TankReadings(BaseModel):
    """Figures of one bin or hour, None where unknown: m³/h, m, °C, mg/L; ``viscosity`` relative to 25 °C.

    ``down`` are the oil analysers downstream, nearest first.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    minute: int
    oil: float | None = None
    flow: float | None = None
    viscosity: float = 1.0
    level: float | None = None
    pad: float | None = None
    skim: float | None = None
    celsius: float | None = None
    down: tuple[float | None, ...] = ()

    def load(self, flow: float | None) -> float:
        """ln(Q µ) at the mean ``flow`` of the water that now leaves; viscosity alone where no flow is known."""
        return log(self.viscosity) + (log(flow) if flow else 0.0)


class Usual(BaseModel):
    """The tank's usual state: medians, ln(oil) at the usual load with its slope, and its scatter between hours."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    oil: float
    load: float
    slope: float
    noise: float
    middle: TankReadings

    def expected(self, load: float) -> float:
        """mg/L at ``load``."""
        return exp(self.oil + self.slope * (load - self.load))


def learn(hours: Sequence[TankReadings]) -> Usual:
    """The usual of quiet hours, each with a positive ``oil``."""
    mid = middle(hours)
    loads = [hour.load(hour.flow) for hour in hours]
    oils = [log(hour.oil) for hour in hours if hour.oil]
    load = median(loads)
    near = [oil for oil, at in zip(oils, loads, strict=True) if abs(at - load) <= MOVED]
    level = median(near or oils)
    far = [(at - load, oil - level) for oil, at in zip(oils, loads, strict=True) if abs(at - load) > MOVED]
    weight = SLOPE_WEIGHT + sum(x * x for x, _ in far)
    slope = (SLOPE * SLOPE_WEIGHT + sum(x * y for x, y in far)) / weight
    slope = min(SLOPE_MOST, max(0.0, slope))
    rest = [oil - slope * (at - load) for oil, at in zip(oils, loads, strict=True)]
    centre = median(rest)
    noise = ROBUST * median(abs(value - centre) for value in rest)
    return Usual(oil=centre, load=load, slope=slope, noise=noise, middle=mid)


def middle(bins: Sequence[TankReadings]) -> TankReadings:
    """Medians of each figure over the bins; ``minute`` is the first one's."""
    names = ("oil", "flow", "level", "pad", "skim", "celsius")
    down = tuple(known_median([b.down[i] for b in bins]) for i in range(len(bins[-1].down)))
    figures = {name: known_median([getattr(b, name) for b in bins]) for name in names}
    viscosity = median(b.viscosity for b in bins)
    return TankReadings(minute=bins[0].minute, viscosity=viscosity, down=down, **figures)


def known_median(values: Sequence[float | None]) -> float | None:
    """Median of those that are known."""
    known = [value for value in values if value is not None]
    return median(known) if known else None
