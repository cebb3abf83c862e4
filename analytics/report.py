"""Report figures of a skid over a period: pure functions over the store and what the logbook says of it.

Not custody transfer: no figure here replaces a ticket or a proved meter.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, time, timedelta
from itertools import pairwise
from math import fsum
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa

from analytics.frame import F64, I64, Mask
from analytics.report_figures import Day, Event, Run, SkidFigures, Volume
from analytics.report_meter import Steps, steps_of
from analytics.report_minutes import Minutes, minutes_of
from analytics.report_quality import daily_means, judged, qualities
from analytics.segments import minute_of, time_of
from skidhand.brine import oil_density
from skidhand.clock import MINUTE_US
from skidhand.errors import UserError
from skidhand.fleet import SkidView, UnitView
from skidhand.model.samples import micros, series_id
from skidhand.stores.base import Store
from skidhand.units import convert, same_dimension

BACK: Final = timedelta(days=7)  # how far before the period its meter's last reading is looked for


def figures_of(
    store: Store,
    view: SkidView,
    start: datetime,
    end: datetime,
    *,
    site: str,
    zone: ZoneInfo,
    site_name: str = "",
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
        quality=tuple(qualities(store, view, seen, start, end, zone, there)),
        fleet_version=fleet_version, days=tuple(_days(store, view, start, end, zone, there)),
        runs=tuple(_runs(seen)), events=tuple(events),
        calls=calls[0], false_calls=calls[1], messages=calls[2],
        in_service_h=float(np.count_nonzero(seen.running)) / 60.0, completeness=_completeness(view, seen),
        site_name=site_name, zone=zone.key,
    )  # fmt: skip


def _days(
    store: Store, view: SkidView, start: datetime, end: datetime, zone: ZoneInfo, there: datetime | None
) -> list[Day]:
    unit = next(iter(view.of_type("outlet")), None)
    if unit is None:
        return []
    units = {role: one.unit for role, one in unit.instruments.items()}
    treated: dict[str, float] = {}
    if "total" in unit.tags:
        steps = meter_steps(store, view, unit.tags["total"], start, end, there)
        edges = list(_midnights(start, end, zone))
        cuts = np.searchsorted(steps.times, [micros(at) for at in edges])
        for (day, _), (a, b) in zip(pairwise(edges), pairwise(cuts.tolist()), strict=True):
            if a < b:
                treated[day.astimezone(zone).date().isoformat()] = fsum(steps.volumes[a:b])
    oil = daily_means(store, view, unit.tags["oil"], start, end, zone) if "oil" in unit.tags else {}
    return [
        Day(day=day, treated=treated.get(day), oil=oil.get(day), treated_unit=units.get("total", ""),
            oil_unit=units.get("oil", ""))
        for day in sorted({*treated, *oil})
    ]  # fmt: skip


def _midnights(start: datetime, end: datetime, zone: ZoneInfo) -> Iterator[datetime]:
    """``start``, each midnight of the zone between, ``end``."""
    yield start
    day = start.astimezone(zone).date() + timedelta(days=1)
    while (midnight := datetime.combine(day, time(), zone)) < end:
        yield midnight
        day += timedelta(days=1)
    yield end


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
    diverted = seen.usable[unit.tags["divert"]] > 0 if "divert" in unit.tags else None
    spec = judged(view, unit, seen)
    return _volume(store, view, unit, "total", "flow", seen, start, end, there, diverted=diverted, spec=spec)


def _received(
    store: Store, view: SkidView, seen: Minutes, start: datetime, end: datetime, there: datetime | None
) -> Volume | None:
    unit = next((u for u in view.of_type("weir_tank") if "inlet_total" in u.tags), None)
    if unit is None:
        return None
    return _volume(store, view, unit, "inlet_total", "inlet_flow", seen, start, end, there)


def _volume(
    store: Store, view: SkidView, unit: UnitView, role: str, flow_role: str, seen: Minutes, start: datetime,
    end: datetime, there: datetime | None, *, diverted: Mask | None = None, spec: tuple[Mask, Mask] | None = None,
) -> Volume:  # fmt: skip
    """Masks a minute: ``diverted``, and of ``spec`` what is above and what was not read; None where nothing tells.

    A step belongs to the minute of the reading that ends it, and stands on the first line that fits.
    """
    tag, instrument = unit.tags[role], unit.instruments[role]
    steps = meter_steps(store, view, tag, start, end, there)
    at = np.clip(steps.times // MINUTE_US - minute_of(start), 0, len(seen.minutes) - 1)
    left, parts = ~steps.in_gap, dict[str, float | None]()
    for name, mask in zip(("diverted", "off_spec", "unjudged"), (diverted, *(spec or (None, None))), strict=True):
        parts[name] = None if mask is None else steps.sum(left & mask[at])
        left = left if mask is None else left & ~mask[at]
    flow = seen.roles.get((unit.id, flow_role))
    known = None if flow is None else np.isfinite(flow)
    return Volume(
        tag=tag, unit=instrument.unit, total=steps.sum(), plain=steps.sum(left), in_gap=steps.sum(steps.in_gap),
        rollovers=steps.rollovers, resets=steps.resets, **parts,
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
