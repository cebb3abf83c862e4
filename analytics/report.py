"""Report figures of a skid over a period: pure functions over the store and what the logbook says of it.

Not custody transfer: no figure here replaces a ticket or a proved meter.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from math import fsum
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa

from analytics.frame import F64, I64, Mask
from analytics.report_figures import Day, Event, Quality, Run, SkidFigures, Volume
from analytics.report_meter import Steps, steps_of
from analytics.report_minutes import Minutes, minutes_of
from analytics.segments import minute_of, time_of
from skidhand.brine import oil_density
from skidhand.clock import MINUTE_US
from skidhand.errors import UserError
from skidhand.fleet import SkidView, UnitView
from skidhand.model.samples import micros, moment, series_id
from skidhand.stores.base import Store
from skidhand.units import convert, same_dimension

BACK: Final = timedelta(days=7)  # how far before the period its meter's last reading is looked for
THIRTY: Final = 30
LEAST_DAY_S: Final = 3600.0  # covered seconds that make a day's mean: common practice, no source
SPEC_ROLES: Final = {"oil": "oil", "turbidity": "turbidity"}


def figures_of(
    store: Store,
    view: SkidView,
    start: datetime,
    end: datetime,
    *,
    site: str,
    zone: ZoneInfo,
    events: Sequence[Event] = (),
    there: datetime | None = None,
    calls: tuple[int, int, int] = (0, 0, 0),
    fleet_version: str = "",
) -> SkidFigures:
    """The figures of one skid over [start, end), whole UTC minutes. UserError for an empty period.

    ``there``: since when it stands at ``site``; nothing before it is looked at. ``calls``: people told, of them
    of prompts judged false, messages.
    """
    if start >= end:
        raise UserError(f"the period {start.isoformat()} to {end.isoformat()} is empty")
    seen = minutes_of(store, view, start, end)
    quality = tuple(_quality(store, view, seen, start, end, zone, there))
    treated = _treated(store, view, seen, start, end, there)
    received = _received(store, view, seen, start, end, there)
    wash = _wash_volume(store, view, seen, start, end, (received or treated), there)
    share_of = received or treated
    kg, oil_minutes = _oil_caught(view, seen)
    density = None if view.oil_api is None else float(oil_density(view.oil_api))
    return SkidFigures(
        skid=view.id, name=view.name, site=site, start=start.astimezone(UTC), end=end.astimezone(UTC),
        treated=treated, received=received, recovery=_recovery(treated, received),
        backwash=wash, backwash_share=_share(wash, share_of.total if share_of else None),
        oil_caught_kg=kg, oil_minutes=oil_minutes, oil_api=view.oil_api, oil_density=density,
        oil_caught_bbl=None if kg is None or density is None else convert(kg / density, "m3", "[bbl_us]"),
        quality=quality, fleet_version=fleet_version, days=tuple(_days(store, view, start, end, zone, there)),
        runs=tuple(_runs(seen)), events=tuple(events),
        calls=calls[0], false_calls=calls[1], messages=calls[2],
        in_service_h=float(np.count_nonzero(seen.running)) / 60.0, completeness=_completeness(view, seen),
    )  # fmt: skip


def _days(
    store: Store, view: SkidView, start: datetime, end: datetime, zone: ZoneInfo, there: datetime | None
) -> list[Day]:
    unit = next(iter(view.of_type("outlet")), None)
    if unit is None:
        return []
    treated: dict[str, list[float]] = {}
    if "total" in unit.tags:
        steps = meter_steps(store, view, unit.tags["total"], start, end, there)
        for at, volume in zip(steps.times.tolist(), steps.volumes.tolist(), strict=True):
            treated.setdefault(moment(at).astimezone(zone).date().isoformat(), []).append(volume)
    oil = daily_means(store, view, unit.tags["oil"], start, end, zone) if "oil" in unit.tags else {}
    return [
        Day(day=day, treated=fsum(treated[day]) if day in treated else None, oil=oil.get(day))
        for day in sorted({*treated, *oil})
    ]


def _recovery(treated: Volume | None, received: Volume | None) -> float | None:
    if treated is None or received is None or not same_dimension(treated.unit, received.unit):
        return None
    return _share(convert(treated.total, treated.unit, received.unit), received.total)


def _share(part: float | None, whole: float | None) -> float | None:
    return None if part is None or not whole else part / whole


def _treated(
    store: Store, view: SkidView, seen: Minutes, start: datetime, end: datetime, there: datetime | None
) -> Volume | None:
    unit = next(iter(view.of_type("outlet")), None)
    if unit is None or "total" not in unit.tags:
        return None
    off = np.zeros(len(seen.minutes), dtype=np.bool_)
    for name, role in SPEC_ROLES.items():
        limit = _limit(view, unit, name, role)
        if limit is not None:
            off |= seen.usable[unit.tags[role]] > limit
    diverted = seen.usable[unit.tags["divert"]] > 0 if "divert" in unit.tags else np.zeros_like(off)
    return _volume(store, view, unit, "total", "flow", seen, start, end, there, diverted=diverted, off=off)


def _received(
    store: Store, view: SkidView, seen: Minutes, start: datetime, end: datetime, there: datetime | None
) -> Volume | None:
    unit = next((u for u in view.of_type("weir_tank") if "inlet_total" in u.tags), None)
    if unit is None:
        return None
    none = np.zeros(len(seen.minutes), dtype=np.bool_)
    return _volume(store, view, unit, "inlet_total", "inlet_flow", seen, start, end, there, diverted=none, off=none)


def _volume(
    store: Store, view: SkidView, unit: UnitView, role: str, flow_role: str, seen: Minutes, start: datetime,
    end: datetime, there: datetime | None, *, diverted: Mask, off: Mask,
) -> Volume:  # fmt: skip
    """``diverted`` and ``off`` a minute; a step belongs to the minute of the reading that ends it."""
    tag, instrument = unit.tags[role], unit.instruments[role]
    steps = meter_steps(store, view, tag, start, end, there)
    at = np.clip(steps.times // MINUTE_US - minute_of(start), 0, len(seen.minutes) - 1)
    is_diverted = ~steps.in_gap & diverted[at]
    is_off = ~steps.in_gap & ~is_diverted & off[at]
    plain = ~steps.in_gap & ~is_diverted & ~is_off
    flow = seen.roles.get((unit.id, flow_role))
    known = None if flow is None else np.isfinite(flow)
    return Volume(
        tag=tag, unit=instrument.unit, total=steps.sum(), plain=steps.sum(plain), in_gap=steps.sum(steps.in_gap),
        diverted=steps.sum(is_diverted), off_spec=steps.sum(is_off), rollovers=steps.rollovers, resets=steps.resets,
        integrated=None if flow is None else convert(fsum(flow[known]) / 60.0, "m3", instrument.unit),
        integrated_share=None if known is None else float(np.count_nonzero(known)) / len(seen.minutes),
    )  # fmt: skip


def meter_steps(
    store: Store, view: SkidView, tag: str, start: datetime, end: datetime, there: datetime | None = None
) -> Steps:
    """Steps of the meter ``tag`` in [start, end), from readings that are Good or Uncertain.

    What it counted before ``there`` was water of another pad.
    """
    back = start - BACK if there is None else max(start - BACK, there)
    got = store.read([series_id(view.id, tag)], back, end, policy="usable")
    instrument = view.instruments[tag]
    most = None if view.design_flow is None else convert(view.design_flow, "m3", instrument.unit) / 3600.0
    times: I64 = got["time"].cast(pa.int64()).to_numpy()
    values: F64 = got["value"].to_numpy()
    return steps_of(times, values, micros(start), micros(end), rollover=instrument.rollover, most_per_s=most)


def _limit(view: SkidView, unit: UnitView, name: str, role: str) -> float | None:
    """The limit in the unit of the outlet's instrument; None where there is none or the units do not meet."""
    limit = view.spec.get(name)
    if limit is None or role not in unit.tags or not same_dimension(limit.unit, unit.instruments[role].unit):
        return None
    return convert(limit.limit, limit.unit, unit.instruments[role].unit)


def _quality(
    store: Store, view: SkidView, seen: Minutes, start: datetime, end: datetime, zone: ZoneInfo,
    there: datetime | None,
) -> list[Quality]:  # fmt: skip
    found = []
    for unit in view.of_type("outlet"):
        for name, role in SPEC_ROLES.items():
            limit = _limit(view, unit, name, role)
            if limit is None:
                continue
            tag, values = unit.tags[role], seen.usable[unit.tags[role]]
            judged = np.isfinite(values) & seen.running
            since = end - timedelta(days=THIRTY)
            days = daily_means(store, view, tag, since if there is None else max(since, there), end, zone)
            within = {day: mean for day, mean in days.items() if day >= start.astimezone(zone).date().isoformat()}
            means = list(days.values())
            found.append(Quality(
                name=name, tag=tag, unit=unit.instruments[role].unit, limit=limit, basis=view.spec[name].basis,
                minutes=int(np.count_nonzero(judged)), on_spec=int(np.count_nonzero(judged & (values <= limit))),
                average_30d=fsum(means) / len(means) if means else None, days=len(means),
                highest_day=max(within.values(), default=None),
                highest=float(values[judged].max()) if judged.any() else None,
            ))  # fmt: skip
    return found


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


def _wash_volume(
    store: Store, view: SkidView, seen: Minutes, start: datetime, end: datetime, like: Volume | None,
    there: datetime | None,
) -> float | None:  # fmt: skip
    """Wash water of all filters, by each one's own total, else by its flow in the minutes of washes."""
    if like is None:
        return None
    parts = []
    for unit in view.of_type("media_filter"):
        if "backwash_total" in unit.tags:
            tag = unit.tags["backwash_total"]
            passed = meter_steps(store, view, tag, start, end, there).sum()
            parts.append(convert(passed, view.instruments[tag].unit, like.unit))
        elif (unit.id, "backwash_flow") in seen.roles and unit.id in seen.washing:
            flow = seen.roles[unit.id, "backwash_flow"]
            taken = seen.washing[unit.id] & np.isfinite(flow)
            parts.append(convert(fsum(np.abs(flow[taken])) / 60.0, "m3", like.unit))
    return fsum(parts) if parts else None


def _oil_caught(view: SkidView, seen: Minutes) -> tuple[float | None, int]:
    """Mass of oil (kg) between the first and the last analyser of oil in the train, by flow and their difference."""
    places = [(unit, role) for unit in view.units for role in ("inlet_oil", "outlet_oil", "oil")]
    oils = [(unit, role) for unit, role in places if (unit.id, role) in seen.roles]
    flows = [
        seen.roles[unit.id, role]
        for unit in view.units for role in ("flow", "inlet_flow") if (unit.id, role) in seen.roles
    ]  # fmt: skip
    if not oils or not flows:
        return None, 0
    (first, a), (last, b) = oils[0], oils[-1]
    if first.tags[a] == last.tags[b]:  # one analyser tells of no difference
        return None, 0
    before, after = seen.roles[first.id, a], seen.roles[last.id, b]
    flow = flows[0]
    known = np.isfinite(before) & np.isfinite(after) & np.isfinite(flow) & seen.running
    grams = flow[known] / 60.0 * (before[known] - after[known])  # m³/h over a minute, mg/L = g/m³
    return fsum(grams) / 1000.0, int(np.count_nonzero(known))


def _runs(seen: Minutes) -> list[Run]:
    found = []
    for unit, washing in sorted(seen.washing.items()):
        edges = np.flatnonzero(np.diff(washing.astype(np.int8)))
        cuts = [0, *(int(i) + 1 for i in edges), len(washing)]
        for begin, stop in pairwise(cuts):
            if stop > begin and not washing[begin]:
                hours = float(np.count_nonzero(seen.running[begin:stop])) / 60.0
                whole = begin > 0 and stop < len(washing)
                found.append(Run(unit=unit, start=time_of(int(seen.minutes[begin])), hours=hours, whole=whole))
    return found


def _completeness(view: SkidView, seen: Minutes) -> float | None:
    tags = [tag for tag, one in view.instruments.items() if one.reporting == "periodic"]
    if not tags:
        return None
    return sum(int(np.count_nonzero(np.isfinite(seen.usable[tag]))) for tag in tags) / (len(tags) * len(seen.minutes))
