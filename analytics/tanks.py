"""Tanks and drums as they stand now: level, and the time to full or empty at the rate of the last hours.

What a person reads from the gauge at the end of a shift. Whether a tank does something that it usually does not is the
detectors' business (docs/detectors/tank_level.md), and no part of this.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, Literal

import numpy as np

from analytics.detectors.tank_level import ends_of
from analytics.frame import F64
from analytics.lines import theil_sen
from skidhand.fleet import Fleet, Skid, SkidView, UnitView, site_view, skid_view
from skidhand.model.samples import series_id
from skidhand.stores.base import Store
from skidhand.units import convert

# Common practice, no source.
WINDOWS: Final = {
    "chemical": (timedelta(hours=24), 1800),  # dosed drop by drop: a day tells the rate
    "buffer_tank": (timedelta(hours=3), 300),
}
"""Over what the rate is taken, and seconds a point, by unit type. A weir tank stands at its weir and tells nothing."""

ENOUGH: Final = 4  # points
JUMP: Final = 0.1  # of the span from one point to the next: a truck came, the rate begins anew
SURE: Final = 0.8  # of the rate's interval; one that holds zero is no rate
FARTHEST: Final = timedelta(days=60)


@dataclass(frozen=True, slots=True)
class Tank:
    """One tank of a skid or site (``place``). ``level`` in ``code`` (UCUM) as read at ``read``; None: not lately.

    ``share``: 0 at its lowest usable level, 1 when it is full. ``left``: time from now to ``end`` if things go on as
    they went when it was last read, None while it stands still.
    """

    place: str
    unit: str
    holds: str
    level: float | None
    code: str
    share: float | None
    read: datetime | None
    end: Literal["full", "empty"] | None = None
    left: timedelta | None = None


def tanks(store: Store, fleet: Fleet, *, now: datetime, places: Iterable[str] | None = None) -> list[Tank]:
    """Of these skids and sites (None: all), in the order of the file; only tanks whose level is measured."""
    chosen = None if places is None else set(places)
    views = [site_view(site) for site in fleet.sites if site.units and (chosen is None or site.id in chosen)]
    views += [skid_view(skid) for skid in fleet.skids if _has_tank(skid) and (chosen is None or skid.id in chosen)]
    found: dict[tuple[str, str], Tank] = {}
    for kind in WINDOWS:
        of = [(view, unit) for view in views for unit in view.units if unit.has("level") and unit.type.name == kind]
        found |= {(tank.place, tank.unit): tank for tank in _read(store, of, kind, now)}
    order = [(view.id, unit.id) for view in views for unit in view.units]
    return [found[key] for key in order if key in found]


def site_tanks(store: Store, fleet: Fleet, *, now: datetime) -> list[Tank]:
    """Only those that the skids of a site share."""
    return tanks(store, fleet, now=now, places=[site.id for site in fleet.sites])


def _has_tank(skid: Skid) -> bool:
    return any("level" in unit.roles for unit in skid.units)


def _read(store: Store, of: Sequence[tuple[SkidView, UnitView]], kind: str, now: datetime) -> Iterable[Tank]:
    if not of:
        return
    span, width = WINDOWS[kind]
    names = {series_id(view.id, unit.tags["level"]): None for view, unit in of}
    table = store.read_buckets(list(names), now - span, now, width)
    points: dict[str, list[tuple[datetime, float]]] = {name: [] for name in names}
    columns = (table[name].to_pylist() for name in ("series", "start", "integral", "covered"))
    for series, start, integral, covered in zip(*columns, strict=True):
        if covered:
            points[series].append((start, integral / covered))
    for view, unit in of:
        yield _tank(view, unit, points[series_id(view.id, unit.tags["level"])], width, now)


def _tank(view: SkidView, unit: UnitView, read: list[tuple[datetime, float]], width: int, now: datetime) -> Tank:
    code = unit.instruments["level"].unit
    if not read:
        return Tank(view.id, unit.id, unit.holds or "", None, code, None, None)
    ends = ends_of(unit)
    top, bottom = (convert(level, "m", code) for level in (ends.full, ends.empty))
    at, level = read[-1][0] + timedelta(seconds=width), read[-1][1]
    share = min(1.0, max(0.0, (level - bottom) / (top - bottom)))
    hours: F64 = np.asarray([(moment - read[0][0]).total_seconds() / 3600.0 for moment, _ in read])
    end, left = _left(hours, np.asarray([value for _, value in read]), bottom, top)
    if left is not None:  # it did not wait for somebody to read it
        left = max(timedelta(), left - max(timedelta(), now - at))
    return Tank(view.id, unit.id, unit.holds or "", level, code, share, at, end, left)


def _left(
    hours: F64, levels: F64, bottom: float, top: float
) -> tuple[Literal["full", "empty"] | None, timedelta | None]:
    """To which end, and how long, from points (n,) of which the last is now."""
    jumps = np.flatnonzero(np.abs(np.diff(levels)) > JUMP * (top - bottom))
    begin = int(jumps[-1]) + 1 if jumps.size else 0
    x, y = hours[begin:], levels[begin:]
    if len(x) < ENOUGH:
        return None, None
    line = theil_sen(x, y[None, :], cover=SURE)[0]
    if line.least <= 0.0 <= line.most:
        return None, None
    end: Literal["full", "empty"] = "full" if line.slope > 0 else "empty"
    left = ((top if end == "full" else bottom) - float(y[-1])) / line.slope
    if left > FARTHEST.total_seconds() / 3600.0:
        return None, None
    return end, timedelta(hours=max(0.0, left))
