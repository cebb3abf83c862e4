"""What a skid's line says beside the matter: next wash, oil against its limit, freshness, a day's trend."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import pyarrow as pa

from skidhand.errors import UserError
from skidhand.fleet import Skid
from skidhand.model.finding import Finding
from skidhand.model.quality import is_bad
from skidhand.model.samples import series_id
from skidhand.units import convert

OIL_ROLES: Final = (("outlet", "oil"), ("media_filter", "outlet_oil"), ("flotation", "outlet_oil"),
                    ("hydrocyclone", "outlet_oil"), ("weir_tank", "outlet_oil"))  # fmt: skip
"""Where treated water's oil is measured, the last place of the train first."""

KEY_ROLES: Final = (("skid", "running"), ("hydrocyclone", "inlet_flow"), ("media_filter", "flow"),
                    ("media_filter", "dp"), ("strainer", "flow"), ("outlet", "flow"))  # fmt: skip
MOST_KEYS: Final = 6
LEARNT: Final = ("learnt", "usual", "expected")
"""How the name ends of a figure that says what another one usually is."""
TREND: Final = timedelta(hours=24)
TREND_WIDTH: Final = 1800  # seconds a point


@dataclass(frozen=True, slots=True)
class Reading:
    """The newest sample of a series."""

    time: datetime
    value: float | None
    quality: int


@dataclass(frozen=True, slots=True)
class Wash:
    """When a filter's next backwash is expected."""

    unit: str
    when: datetime
    low: datetime
    high: datetime


@dataclass(frozen=True, slots=True)
class Oil:
    """Oil in treated water, in the limit's unit. ``value`` None: no usable reading. ``mean_h``: hours averaged."""

    tag: str
    value: float | None
    unit: str
    limit: float | None
    basis: str | None
    mean_h: int | None = None

    @property
    def over(self) -> bool:
        """True when it stands above the limit on the limit's own basis (a grab limit is never judged here)."""
        judged = self.limit is not None and self.value is not None and self.basis != "grab"
        return judged and self.value > self.limit  # type: ignore[operator]


@dataclass(frozen=True, slots=True)
class Trend:
    """A day of one tag: a mean a half hour, None where there is nothing."""

    tag: str
    unit: str
    values: tuple[float | None, ...]


def oil_tag(skid: Skid) -> str | None:
    """The tag of oil in treated water."""
    return next((tag for kind, role in OIL_ROLES if (tag := _tag(skid, kind, role))), None)


def key_tags(skid: Skid) -> list[str]:
    """The few tags that tell whether data arrive."""
    named = [oil_tag(skid), *(_tag(skid, kind, role) for kind, role in KEY_ROLES)]
    rest = (tag for tag, one in skid.instruments.items() if one.reporting == "periodic")
    return list(dict.fromkeys([*(tag for tag in named if tag), *rest]))[:MOST_KEYS]


def has_filter(skid: Skid) -> bool:
    """True when the skid has a bed that is washed."""
    return any(unit.type == "media_filter" for unit in skid.units)


def next_wash(findings: Iterable[Finding]) -> Wash | None:
    """The earliest wash that is forecast."""
    called = (f for f in findings if f.kind == "dp-rise" and f.forecast is not None)
    washes = (Wash(f.unit, f.forecast.when, f.forecast.low, f.forecast.high) for f in called if f.forecast)
    return min(washes, key=lambda wash: wash.when, default=None)


def trend_tag(skid: Skid, worst: Finding | None) -> str | None:
    """What the small trend shows: the first reading of the worst finding's evidence, else treated water's oil."""
    if worst is not None:
        numbers = [number.tag for number in worst.evidence.numbers]
        shown = [worst.unit, _moved(worst), *numbers, *(trace.tag for trace in worst.evidence.traces)]
        found = next((tag for tag in shown if tag is not None and tag in skid.instruments), None)
        if found is not None:
            return found
    tag = oil_tag(skid)
    return tag or next(iter(key_tags(skid)), None)


def _moved(finding: Finding) -> str | None:
    """The tag of the figure that stands furthest from what was learnt of it, if any is a tenth away."""
    usual = {n.name: n.value for n in finding.evidence.numbers}
    best, furthest = None, 0.1
    for number in finding.evidence.numbers:
        known = next((usual[f"{number.name}_{w}"] for w in LEARNT if f"{number.name}_{w}" in usual), None)
        if number.tag is not None and known and abs(number.value / known - 1.0) > furthest:
            best, furthest = number.tag, abs(number.value / known - 1.0)
    return best


def oil_of(skid: Skid, latest: Mapping[str, Reading], trend: Trend | None) -> Oil | None:
    """Oil against the limit; over an hourly or longer basis the mean of as much of it as the trend holds."""
    tag = oil_tag(skid)
    if tag is None:
        return None
    unit = skid.instruments[tag].unit
    limit = skid.spec.get("oil")
    reading = latest.get(tag)
    value = None if reading is None or is_bad(reading.quality) else reading.value
    hours = _hours(limit.basis) if limit is not None else None
    if hours is not None and trend is not None and trend.tag == tag:
        known = [v for v in trend.values[-hours * 2 :] if v is not None]
        value = sum(known) / len(known) if known else value
    else:
        hours = None
    if limit is None:
        return Oil(tag, value, unit, None, None)
    try:
        shown = None if value is None else convert(value, unit, limit.unit)
        return Oil(tag, shown, limit.unit, limit.limit, limit.basis, hours)
    except UserError:  # a ppm reading against a limit in mg/L: told apart, never compared
        return Oil(tag, value, unit, None, None)


def trends_of(table: pa.Table, wanted: Mapping[str, tuple[str, str]], end: datetime) -> dict[str, Trend]:
    """Trends by series from a table of buckets; ``wanted``: series to (tag, unit)."""
    points = int(TREND / timedelta(seconds=TREND_WIDTH))
    first = int(end.timestamp()) // TREND_WIDTH - points + 1
    values: dict[str, list[float | None]] = {name: [None] * points for name in wanted}
    columns = (table[name].to_pylist() for name in ("series", "start", "integral", "covered"))
    for series, start, integral, covered in zip(*columns, strict=True):
        at = int(start.timestamp()) // TREND_WIDTH - first
        if 0 <= at < points and covered:
            values[series][at] = integral / covered
    return {name: Trend(*wanted[name], tuple(values[name])) for name in wanted}


def readings_of(table: pa.Table) -> dict[str, Reading]:
    """The newest readings by series."""
    columns = (table[name].to_pylist() for name in ("series", "time", "value", "quality"))
    return {series: Reading(*rest) for series, *rest in zip(*columns, strict=True)}


def series_of(skid: Skid, tags: Sequence[str]) -> list[str]:
    """Series ids of some tags."""
    return [series_id(skid.id, tag) for tag in tags]


def _tag(skid: Skid, kind: str, role: str) -> str | None:
    units = (unit for unit in reversed(skid.units) if unit.type == kind and role in unit.roles)
    return next((unit.roles[role] for unit in units), None)


def _hours(basis: str) -> int | None:
    """Hours of a basis such as 1h; None for grab samples, and for days, which a day's trend can't judge."""
    return int(basis[:-1]) if basis.endswith("h") and int(basis[:-1]) <= 24 else None
