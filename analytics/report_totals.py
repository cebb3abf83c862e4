"""What several skids passed together, in barrels, a day and a period: sums of the skids' own figures."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import fsum
from typing import Final

from analytics.report_figures import Figures, SkidFigures, Volume
from skidhand.units import convert, same_dimension

BARREL: Final = "[bbl_us]"
LINES: Final = ("total", "plain", "in_gap", "diverted", "off_spec", "unjudged")


@dataclass(frozen=True, slots=True)
class Sum:
    """Barrels of each of LINES (None where no part knows of it), from ``parts`` of ``of`` parts that have a meter."""

    lines: dict[str, float | None]
    parts: int
    of: int


def barrels(value: float | None, unit: str) -> float | None:
    """US barrels of 42 gallons; None for what is no volume."""
    return None if value is None or not same_dimension(unit, BARREL) else convert(value, unit, BARREL)


def total(skids: Sequence[SkidFigures], name: str) -> Sum | None:
    """Of ``treated`` or ``received``; None where no part has such a meter."""
    volumes: list[Volume] = [one for skid in skids if (one := getattr(skid, name)) is not None]
    volumes = [one for one in volumes if same_dimension(one.unit, BARREL)]
    if not volumes:
        return None
    sums = {line: _sum(barrels(getattr(one, line), one.unit) for one in volumes) for line in LINES}
    return Sum(sums, len(volumes), len(skids))


def days(figures: Figures) -> dict[str, float]:
    """Barrels treated by all, by the sites' own day."""
    parts: dict[str, list[float]] = {}
    for skid in figures.skids:
        for day in skid.days:
            if day.treated_unit and (passed := barrels(day.treated, day.treated_unit)) is not None:
                parts.setdefault(day.day, []).append(passed)
    return {day: fsum(parts[day]) for day in sorted(parts)}


def _sum(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return fsum(known) if known else None
