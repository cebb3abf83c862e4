"""A filter's runs as its forecast wants them: finished ones, and the present one so far."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from statistics import median
from typing import Final

import numpy as np
from pydantic import BaseModel, ConfigDict

from analytics.frame import F64, I64

KNOTS: Final = 96  # points that a finished run is kept with
SEEN_POINTS: Final = 24  # points of the present run that are compared
RECENT: Final = 0.15  # share of the present run that tells its present conditions


class PastRun(BaseModel):
    """A finished run: at the middles of equal parts of the throughput 0 to ``end``, drop, condition factor, hours.

    ``hours`` counts hours in service since the wash. The condition factor is the clean bed's drop at the flow
    and viscosity of the moment over that at reference conditions. ``washed``: a wash ended it.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    end: float
    drops: tuple[float, ...]
    factors: tuple[float, ...]
    hours: tuple[float, ...]
    load: float | None = None
    washed: bool = False

    def __hash__(self) -> int:
        """Of what tells runs apart: hashing every point took longer than what is remembered by it."""
        return hash((self.end, self.load, self.hours[-1]))


@dataclass(frozen=True)
class Seen:
    """The present run so far, ascending: throughput since the wash, drop, condition factor; ``now`` the last.

    ``pace`` is hours for a unit of throughput, of late; ``conditions`` a factor to reckon with instead of that of late.

    ``load`` is what a volume of the water carries (any unit, one for all runs), if that is known.
    """

    at: F64
    drops: F64
    factors: F64
    now: float
    pace: float
    load: float | None = None
    conditions: float | None = None

    @cached_property
    def present(self) -> float:
        """The condition factor of late."""
        if self.conditions is not None:
            return self.conditions
        recent = self.factors[self.at >= self.now * (1.0 - RECENT)]
        return float(median((recent if recent.size else self.factors[-1:]).tolist()))

    def thinned(self) -> Seen:
        """The same in at most SEEN_POINTS means of neighbours."""
        starts, counts = _neighbours(len(self.at))
        at, drops, factors = (np.add.reduceat(array, starts) / counts for array in (self.at, self.drops, self.factors))
        return replace(self, at=at, drops=drops, factors=factors)


@lru_cache(maxsize=256)
def _neighbours(size: int) -> tuple[I64, I64]:
    """Where each of at most SEEN_POINTS parts of ``size`` points begins, and how many points it has."""
    starts = np.unique(np.linspace(0, size, min(SEEN_POINTS, size), endpoint=False).astype(np.int64))
    return starts, np.diff(np.append(starts, size))


def past_run(
    at: F64, drops: F64, factors: F64, hours: F64, end: float, load: float | None = None, *, washed: bool = False
) -> PastRun:
    """A run as the library keeps it, from points up to throughput ``end`` > 0; ``hours`` at each point."""
    knots = (np.arange(KNOTS) + 0.5) * (end / KNOTS)
    return PastRun(
        end=end,
        drops=tuple(np.interp(knots, at, drops).tolist()),
        factors=tuple(np.interp(knots, at, factors).tolist()),
        hours=tuple(np.interp(knots, np.append(0.0, at), np.append(0.0, hours)).tolist()),
        load=load,
        washed=washed,
    )
