"""A media filter's runs: where one begins, what it has shown so far, and what clean means.

Everything streams minute by minute in bounded memory, and time scales are learnt from the filter itself: a run
is kept in bins of equal throughput whose width doubles whenever there are too many.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from statistics import linear_regression, median
from typing import Final

import numpy as np
from pydantic import BaseModel, ConfigDict

from analytics.conditions import Water
from analytics.frame import F64, Block
from analytics.past_runs import PastRun, Seen, past_run
from skidhand.fleet import SkidView, UnitView
from skidhand.unit_types.media_filter import clean_drop_factor

MOST_BINS: Final = 128
COLLAPSE: Final = 0.5  # of the earlier drop: a wash takes a fouled bed back to about its clean drop
CONFIRM: Final = 3  # minutes
MEMORY: Final = 15  # minutes of drop before a collapse
ENOUGH: Final = 5
LATE_BINS: Final = 4  # least bins that make a slope; of a long run its last sixteenth
HOLES: Final = 0.10  # share of a run without data above which it teaches nothing
ENDS_KEPT: Final = 6
SAME: Final = 0.02  # share by which the lengths of runs that a clock ended may differ
NO_CLOCK: Final = 0.95  # of the drop that runs end at, from which it may have ended one
SURE: Final = 2  # runs that must be known
LINEAR: Final = 0.9  # laminar share of a bed's clean drop at about 5-10 gpm/ft2 (Ergun 1952), where the bed is unknown
VOIDS: Final = 0.42  # of a granular bed: common practice, no source


@dataclass(slots=True)
class Bins:
    """Sums over parts of a run's throughput, a list a figure: ``n`` minutes, of which ``oil_n`` had an oil reading."""

    n: list[int] = field(default_factory=list)
    minute: list[int] = field(default_factory=list)
    at: list[float] = field(default_factory=list)
    drop: list[float] = field(default_factory=list)
    factor: list[float] = field(default_factory=list)
    hours: list[float] = field(default_factory=list)
    oil: list[float] = field(default_factory=list)
    oil_n: list[int] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.n)

    def copy(self) -> Bins:
        """The same in lists of its own."""
        return Bins(*(list(getattr(self, name)) for name in FIGURES))

    def mean(self, name: str, i: int) -> float:
        """One figure of one bin."""
        return float(getattr(self, name)[i] / self.n[i])

    def halve(self) -> None:
        """Neighbours put together, two and two."""
        for name in FIGURES:
            sums = getattr(self, name)
            setattr(self, name, [sum(sums[i : i + 2]) for i in range(0, len(sums), 2)])


FIGURES: Final = tuple(f.name for f in fields(Bins))


@dataclass(slots=True)
class Run:
    """The run since the last wash. ``throughput`` in m³ (hours where no flow is measured), ``whole`` if it
    was seen from its beginning; ``clean`` are the drops, at reference conditions, of its first judged minutes.

    It grows in place, minute by minute: whoever must not change it takes a :meth:`copy`.
    """

    began: int
    whole: bool
    throughput: float = 0.0
    minutes: int = 0  # in service
    lost: int = 0  # minutes of those without flow or drop
    width: float = 0.0  # of a bin, m³
    bins: Bins = field(default_factory=Bins)
    clean: tuple[float, ...] = ()

    def copy(self) -> Run:
        """The same with bins of its own."""
        return replace(self, bins=self.bins.copy())

    def serve(self, amount: float, *, seen: bool) -> None:
        """One more minute in service that filtered ``amount``."""
        self.throughput += amount
        self.minutes += 1
        self.lost += not seen

    def show(self, minute: int, drop: float, factor: float, oil: float | None) -> None:
        """One judged minute: its drop (kPa), condition factor and the oil that arrives."""
        if not self.width:
            self.width = max(self.throughput / max(self.minutes, 1), 1e-12)
        bins, at = self.bins, self.throughput
        if not bins.n or int(bins.at[-1] / bins.n[-1] / self.width) != int(at / self.width):
            for name in FIGURES:
                getattr(bins, name).append(0)
        bins.n[-1] += 1
        bins.minute[-1] += minute
        bins.at[-1] += at
        bins.drop[-1] += drop
        bins.factor[-1] += factor
        bins.hours[-1] += self.minutes / 60.0
        bins.oil[-1] += oil or 0.0
        bins.oil_n[-1] += oil is not None
        if len(bins.n) > MOST_BINS:
            bins.halve()
            self.width *= 2.0

    def column(self, name: str) -> F64:
        """Means of one figure over the bins."""
        return np.asarray(np.array(getattr(self.bins, name), dtype=np.float64) / np.array(self.bins.n))

    def oil(self) -> F64:
        """Mean oil that arrived in each bin, NaN where none was read."""
        sums, counts = np.array(self.bins.oil, dtype=np.float64), np.array(self.bins.oil_n, dtype=np.float64)
        return np.asarray(np.divide(sums, counts, out=np.full(len(sums), np.nan), where=counts > 0))

    def load(self) -> float | None:
        """Mean oil of the run so far, or None."""
        count = sum(self.bins.oil_n)
        return sum(self.bins.oil) / count if count else None

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

    def recent_flow(self, *, measured: bool) -> float:
        """m³/h over the last part of the run; 1 where no flow is ``measured``."""
        if not measured:
            return 1.0
        bins = self.bins
        first = max(0, len(bins) - max(2, len(bins) // 6))
        hours = bins.mean("hours", -1) - bins.mean("hours", first)
        through = bins.mean("at", -1) - bins.mean("at", first)
        return through / hours if hours > 0 else self.throughput * 60.0 / max(self.minutes, 1)

    @property
    def late(self) -> int:
        """How many bins count as of late."""
        return max(LATE_BINS, len(self.bins) // LATE_BINS**2)

    def at_slope(self, level: float) -> float | None:
        """Hours until the drop at reference conditions is ``level`` kPa at its slope of late; None if it falls.

        A flow step or cold water is no slope.
        """
        late = self.late
        if len(self.bins) < late:
            return None
        bins = self.bins
        hours = [hours / n for hours, n in zip(bins.hours[-late:], bins.n[-late:], strict=True)]
        normal = [drop / factor for drop, factor in zip(bins.drop[-late:], bins.factor[-late:], strict=True)]
        slope = linear_regression(hours, normal).slope
        return (level - normal[-1]) / slope if slope > 0 else None

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
            washed=True,
        )


Ends = tuple[tuple[float, float], ...]
"""Of the last runs: hours by the clock from wash to wash, and the last drop as a share of the terminal one."""


def with_end(ends: Ends, hours: float, share: float) -> Ends:
    """With one more run that was seen from its beginning."""
    return (*ends, (hours, share))[-ENDS_KEPT:]


def by_clock(ends: Ends, level: float) -> tuple[float, float] | None:
    """(hours after which a controller washes in any case, how far that may be off); None if no clock shows.

    No run is longer, and the drop did not end it. ``level``: share of the terminal drop at which runs end for it.
    """
    longest = max((hours for hours, _ in ends), default=0.0)
    same = [hours for hours, share in ends if hours >= (1.0 - SAME) * longest and share < NO_CLOCK * level]
    return (median(same), SAME * longest) if same and len(ends) >= SURE else None


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


def clean_factor(unit: UnitView, water: Water, celsius: F64, flow: F64 | None, flow0: float | None) -> F64:
    """Clean drop of each minute over clean drop at reference flow and 25 °C; ``flow``, ``flow0`` m³/h.

    Of viscosity alone where no flow is measured (None), NaN while the reference flow is not known.
    """
    viscosity = water.viscosity_ratios(celsius)
    if flow is None:
        return viscosity
    if flow0 is None:
        return np.full(len(celsius), np.nan)
    return clean_drop_factor(
        flow, viscosity, water.density_ratios(celsius),
        flow0=flow0, viscosity0=1.0, density0=1.0,
        linear=laminar_share(unit, flow0, water.viscosity0, water.density0),
    )  # fmt: skip


def drop_of(unit: UnitView, block: Block) -> F64:
    """The filter's drop, kPa: measured, or between two pressures."""
    if unit.has("dp"):
        return block.clean(unit.id, "dp")
    return block.clean(unit.id, "inlet_pressure") - block.clean(unit.id, "outlet_pressure")


def oil_before(unit: UnitView, skid: SkidView, block: Block) -> F64:
    """Oil that reaches the filter, by the nearest analyser upstream; NaN without one."""
    for name in skid.before(unit.id):
        if skid.by_id[name].has("outlet_oil"):
            return block.clean(name, "outlet_oil")
    return np.full(len(block), np.nan)
