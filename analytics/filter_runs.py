"""A media filter's runs: where one begins, what it has shown so far, and what clean means.

Everything streams minute by minute in bounded memory, and time scales are learnt from the filter itself: a run
is kept in bins of equal throughput whose width doubles whenever there are too many.
"""

from __future__ import annotations

from statistics import linear_regression, median
from typing import Final

import numpy as np
from pydantic import BaseModel, ConfigDict

from analytics.forecast import PastRun, Seen, past_run
from analytics.frame import F64
from skidhand.fleet import UnitView

MOST_BINS: Final = 128
COLLAPSE: Final = 0.5  # of the earlier drop: a wash takes a fouled bed back to about its clean drop
CONFIRM: Final = 3  # minutes
MEMORY: Final = 15  # minutes of drop before a collapse
ENOUGH: Final = 5
LATE_BINS: Final = 4  # least bins that make a slope; of a long run its last sixteenth
HOLES: Final = 0.10  # share of a run without data above which it teaches nothing
LINEAR: Final = 0.9  # laminar share of a bed's clean drop at about 5-10 gpm/ft2 (Ergun 1952), where the bed is unknown
VOIDS: Final = 0.42  # of a granular bed: common practice, no source


class Bin(BaseModel):
    """Sums over one part of a run's throughput: ``n`` minutes, of which ``oil_n`` had an oil reading."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    n: int
    minute: int
    at: float
    drop: float
    factor: float
    hours: float
    oil: float = 0.0
    oil_n: int = 0

    def plus(self, other: Bin) -> Bin:
        """Both together."""
        return Bin.model_construct(**{name: getattr(self, name) + getattr(other, name) for name in BIN_FIELDS})


BIN_FIELDS: Final = tuple(Bin.model_fields)


class Run(BaseModel):
    """The run since the last wash. ``throughput`` in m³ (hours where no flow is measured), ``whole`` if it
    was seen from its beginning; ``clean`` are the drops, at reference conditions, of its first judged minutes.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    began: int
    whole: bool
    throughput: float = 0.0
    minutes: int = 0  # in service
    lost: int = 0  # minutes of those without flow or drop
    width: float = 0.0  # of a bin, m³
    bins: tuple[Bin, ...] = ()
    clean: tuple[float, ...] = ()

    def serve(self, amount: float, *, seen: bool) -> Run:
        """One more minute in service that filtered ``amount``."""
        return self.model_copy(
            update={
                "throughput": self.throughput + amount,
                "minutes": self.minutes + 1,
                "lost": self.lost + (not seen),
            }
        )

    def show(self, minute: int, drop: float, factor: float, oil: float | None) -> Run:
        """One judged minute: its drop (kPa), condition factor and the oil that arrives."""
        width = self.width or max(self.throughput / max(self.minutes, 1), 1e-12)
        new = Bin.model_construct(
            n=1, minute=minute, at=self.throughput, drop=drop, factor=factor, hours=self.minutes / 60.0,
            oil=oil or 0.0, oil_n=int(oil is not None),
        )  # fmt: skip
        bins = self.bins
        if bins and int(bins[-1].at / bins[-1].n / width) == int(self.throughput / width):
            bins = (*bins[:-1], bins[-1].plus(new))
        else:
            bins = (*bins, new)
        if len(bins) > MOST_BINS:
            pairs = [bins[i : i + 2] for i in range(0, len(bins), 2)]
            bins, width = tuple(p[0].plus(p[1]) if len(p) == 2 else p[0] for p in pairs), 2.0 * width
        return self.model_copy(update={"bins": bins, "width": width})

    def column(self, name: str) -> F64:
        """Means of one figure over the bins."""
        sums: F64 = np.array([getattr(part, name) for part in self.bins])
        counts: F64 = np.array([float(part.n) for part in self.bins])
        return np.asarray(sums / counts)

    def oil(self) -> F64:
        """Mean oil that arrived in each bin, NaN where none was read."""
        return np.array([part.oil / part.oil_n if part.oil_n else np.nan for part in self.bins])

    def load(self) -> float | None:
        """Mean oil of the run so far, or None."""
        count = sum(part.oil_n for part in self.bins)
        return sum(part.oil for part in self.bins) / count if count else None

    def seen(self, flow: float) -> Seen:
        """The run as the forecast wants it; ``flow`` in m³/h of late."""
        return Seen(
            at=self.column("at"),
            drops=self.column("drop"),
            factors=self.column("factor"),
            now=self.throughput,
            pace=1.0 / max(flow, 1e-12),
            load=self.load(),
        )

    @property
    def late(self) -> int:
        """How many bins count as of late."""
        return max(LATE_BINS, len(self.bins) // LATE_BINS**2)

    def at_slope(self, terminal: float) -> float | None:
        """Hours until ``terminal`` kPa at the slope of late and the conditions of the moment; None if it falls.

        The slope is of the drop at reference conditions, so a flow step or cold water is none.
        """
        late = self.late
        if len(self.bins) < late:
            return None
        parts = self.bins[-late:]
        hours = [part.hours / part.n for part in parts]
        normal = [part.drop / part.factor for part in parts]
        slope = linear_regression(hours, normal).slope
        factor = parts[-1].factor / parts[-1].n
        return (terminal / factor - normal[-1]) / slope if slope > 0 else None

    def finished(self) -> PastRun | None:
        """The run as the library keeps it; None if it was too short or has holes."""
        if len(self.bins) < ENOUGH or self.lost > HOLES * self.minutes:
            return None
        return past_run(
            self.column("at"),
            self.column("drop"),
            self.column("factor"),
            self.column("hours"),
            self.throughput,
            self.load(),
        )


class Collapse(BaseModel):
    """Watches for a wash that no signal tells of: the drop at reference conditions falls to less than half."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    before: tuple[float, ...] = ()
    low: tuple[float, ...] = ()

    def look(self, drop: float) -> tuple[Collapse, bool]:
        """After one more judged minute; True in the minute that confirms a wash."""
        if len(self.before) >= ENOUGH and drop < COLLAPSE * median(self.before):
            low = (*self.low, drop)
            return (Collapse(), True) if len(low) == CONFIRM else (Collapse(before=self.before, low=low), False)
        return Collapse(before=(*self.before, drop)[-MEMORY:]), False


def laminar_share(unit: UnitView, flow: float, viscosity: float, density: float) -> float:
    """Laminar share of the clean bed's drop at ``flow`` m³/h by Ergun's two terms, or LINEAR if the bed is unknown.

    ΔP/L = 150 µ(1−ε)²v/(ε³d²) + 1.75 ρ(1−ε)v²/(ε³d) (Chem. Eng. Prog. 48, 1952, 89); µ in mPa·s, ρ in kg/m³.
    """
    if not {"bed_area", "grain"} <= unit.params.keys():
        return LINEAR
    v, d = flow / 3600.0 / unit.params["bed_area"], unit.params["grain"] / 1000.0
    viscous = 150.0 * viscosity * 1e-3 * (1.0 - VOIDS) / d
    return viscous / (viscous + 1.75 * density * v)
