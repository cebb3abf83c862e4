"""Treated water against its limits: by the minute, by the limit's own basis, by the day. Pure reading."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from math import fsum
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from analytics.frame import F64, Mask
from analytics.report_figures import Quality
from analytics.report_minutes import Minutes
from analytics.spec_basis import COVERED
from skidhand.fleet import SkidView, UnitView
from skidhand.model.samples import series_id
from skidhand.stores.base import Store
from skidhand.units import convert, same_dimension

THIRTY: Final = 30
LEAST_DAY_S: Final = 3600.0  # covered seconds that make a day's mean: common practice, no source
SPEC_ROLES: Final = {"oil": "oil", "turbidity": "turbidity"}


def limits_of(view: SkidView, unit: UnitView) -> Mapping[str, float]:
    """Role → limit in the unit of the outlet's instrument, where there is one and the units meet."""
    found = {}
    for name, role in SPEC_ROLES.items():
        limit = view.spec.get(name)
        if limit is not None and role in unit.tags and same_dimension(limit.unit, unit.instruments[role].unit):
            found[role] = convert(limit.limit, limit.unit, unit.instruments[role].unit)
    return found


def judged(view: SkidView, unit: UnitView, seen: Minutes) -> tuple[Mask, Mask] | None:
    """(above some limit, not above but not all read) a minute; None where no analyser has a limit."""
    limits = limits_of(view, unit)
    if not limits:
        return None
    read = {role: seen.usable[unit.tags[role]] for role in limits}
    off = np.any([read[role] > limit for role, limit in limits.items()], axis=0)
    return off, ~off & np.any([~np.isfinite(values) for values in read.values()], axis=0)


def qualities(
    store: Store, view: SkidView, seen: Minutes, start: datetime, end: datetime, zone: ZoneInfo,
    there: datetime | None,
) -> Iterator[Quality]:  # fmt: skip
    """A row for each limit that an analyser of the outlet is held against."""
    for unit in view.of_type("outlet"):
        for role, limit in limits_of(view, unit).items():
            name = next(name for name, own in SPEC_ROLES.items() if own == role)
            tag, values = unit.tags[role], seen.usable[unit.tags[role]]
            known = np.isfinite(values) & seen.running
            since = end - timedelta(days=THIRTY)
            days = daily_means(store, view, tag, since if there is None else max(since, there), end, zone)
            within = {day: mean for day, mean in days.items() if day >= start.astimezone(zone).date().isoformat()}
            means, basis = list(days.values()), view.spec[name].basis
            hours = int(basis[:-1]) if basis.endswith("h") else 0
            spans = _spans(np.where(known, values, np.nan), 60 * hours) if hours else None
            if basis == "1d":
                spans = np.array(list(within.values()))
            yield Quality(
                name=name, tag=tag, unit=unit.instruments[role].unit, limit=limit, basis=basis,
                minutes=int(np.count_nonzero(known)), on_spec=int(np.count_nonzero(known & (values <= limit))),
                average_30d=fsum(means) / len(means) if means else None, days=len(means),
                highest_day=max(within.values(), default=None),
                highest=float(values[known].max()) if known.any() else None,
                windows=None if spans is None else len(spans),
                windows_on=None if spans is None else int(np.count_nonzero(spans <= limit)),
            )  # fmt: skip


def _spans(values: F64, width: int) -> F64:
    """Means of the spans of ``width`` minutes from the period's start on, of those that were read for COVERED."""
    whole = values[: len(values) // width * width].reshape(-1, width)
    known = np.isfinite(whole)
    count = known.sum(axis=1)
    enough = count >= COVERED * width
    return np.asarray(np.where(known, whole, 0.0).sum(axis=1)[enough] / count[enough])


def daily_means(
    store: Store, view: SkidView, tag: str, start: datetime, end: datetime, zone: ZoneInfo
) -> dict[str, float]:
    """Time-weighted mean of each of the site's own days that has LEAST_DAY_S of readings, from hourly buckets."""
    got = store.read_buckets([series_id(view.id, tag)], start, end, 3600, policy="usable")
    sums: dict[str, list[tuple[float, float]]] = {}
    for begin, integral, covered in zip(*(got[c].to_pylist() for c in ("start", "integral", "covered")), strict=True):
        if start <= begin < end:  # a bucket that began at another pad tells of it
            sums.setdefault(begin.astimezone(zone).date().isoformat(), []).append((integral, covered))
    totals = {day: (fsum(a for a, _ in parts), fsum(b for _, b in parts)) for day, parts in sums.items()}
    return {day: total / covered for day, (total, covered) in sorted(totals.items()) if covered >= LEAST_DAY_S}
