"""Laboratory results beside the online analyser of the same quantity at the same point, and what follows from them.

A sample point is a unit (its water as it leaves) or an instrument's tag. Raw readings are never touched: a corrected
value is computed from them and a ``Correction`` that names its version.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final
from uuid import UUID

import numpy as np

from analytics.agreement import Estimate, Line, bias, deming, moving_range_sigma
from analytics.charts import Ewma, ewma
from analytics.cleaning import speaks_of_changes
from analytics.frame import F64, I64
from skidhand.fleet import SkidView
from skidhand.model.entry import Entry
from skidhand.model.entry_kinds import Lab
from skidhand.model.samples import micros, series_id
from skidhand.stores.base import Store
from skidhand.units import convert

VERSION: Final = 1  # of the formula of a corrected value
WINDOW: Final = timedelta(minutes=10)  # either side of the sampling: common practice, no source
STANDING: Final = timedelta(hours=1)  # how long an on-change value counts as standing before the window: likewise
LEAST_PAIRS: Final = 10  # before a correction is told, and for the chart's centre: likewise

LEAVING: Final = {
    "oil": ("oil", "outlet_oil"),
    "turbidity": ("turbidity", "outlet_turbidity"),
    "ph": ("ph",),
    "density": ("density",),
    "conductivity": ("conductivity", "permeate_conductivity"),
}
"""Analyte → roles that measure it in the water that leaves a unit."""
ENTERING: Final = {"oil": ("inlet_oil",), "conductivity": ("feed_conductivity",)}

Read = Callable[[str, datetime, datetime], tuple[I64, F64]]
"""(tag, start, end) → times (µs) and values of its Good samples, in order of time."""


@dataclass(frozen=True, slots=True)
class Pair:
    """One result and the median of ``samples`` readings around it, both in the analyser's ``unit``."""

    entry: UUID
    tag: str
    at: datetime
    lab: float
    reading: float
    samples: int
    unit: str


@dataclass(frozen=True, slots=True)
class Unpaired:
    """A result that stands alone, and why."""

    entry: UUID
    why: str


@dataclass(frozen=True, slots=True)
class Correction:
    """corrected = (reading − intercept)/slope, for readings from ``low`` to ``high``: those that were compared.

    ``since``: the analyser's last calibration, before which it was another, so to speak; None: there was none.
    ``version`` changes with the formula and with every pair that it rests on.
    """

    tag: str
    unit: str
    slope: float
    intercept: float
    low: float
    high: float
    pairs: int
    version: str
    since: datetime | None = None


@dataclass(frozen=True, slots=True)
class Comparison:
    """One analyser against the laboratory. ``chart``: log of reading/lab; None where that cannot be told."""

    tag: str
    unit: str
    pairs: tuple[Pair, ...]
    bias: Estimate
    line: Line | None
    chart: Ewma | None
    correction: Correction | None


def reader(store: Store, skid: str, *, as_of: str | None = None) -> Read:
    """Reads Good samples of the skid from the store, as it is or was at a version."""

    def read(tag: str, start: datetime, end: datetime) -> tuple[I64, F64]:
        table = store.read([series_id(skid, tag)], start, end, policy="good", as_of=as_of)
        times = table["time"].to_numpy().astype("datetime64[us]").astype(np.int64)
        return times, table["value"].to_numpy().astype(np.float64)

    return read


def analyser_of(skid: SkidView, analyte: str, point: str) -> str | None:
    """Tag of the instrument that measures ``analyte`` at ``point`` (a unit's id or a tag); None where none does."""
    leaving = LEAVING.get(analyte, ())
    for unit in skid.units:
        for role, tag in unit.tags.items():
            if (unit.id == point and role in leaving) or (
                tag == point and role in (*leaving, *ENTERING.get(analyte, ()))
            ):
                return tag
    return None


def pair(
    entries: Iterable[Entry], skid: SkidView, read: Read, *, window: timedelta = WINDOW
) -> tuple[list[Pair], list[Unpaired]]:
    """Each laboratory result of the skid with its analyser's median reading, or with why it has none."""
    pairs: list[Pair] = []
    alone: list[Unpaired] = []
    for entry in entries:
        if entry.kind == "lab" and entry.skid == skid.id:
            found = _pair(entry, skid, read, window)
            if isinstance(found, Pair):
                pairs.append(found)
            else:
                alone.append(Unpaired(entry.id, found))
    return sorted(pairs, key=lambda each: (each.at, str(each.entry))), alone


def _pair(entry: Entry, skid: SkidView, read: Read, window: timedelta) -> Pair | str:
    lab = Lab.model_validate(entry.data)
    tag = analyser_of(skid, lab.analyte, lab.sample_point)
    if tag is None:
        return f"no analyser of {lab.analyte} at {lab.sample_point or 'a sample point that nobody named'}"
    if lab.less_than:
        return "below the detection limit: a bound, and no value to compare"
    instrument = skid.instruments[tag]
    if "[ppm]" in (lab.unit, instrument.unit) and lab.unit != instrument.unit:
        return f"{lab.unit} beside {instrument.unit}: a ppm may be by mass or by volume"
    at = lab.sampled or entry.at
    times, values = read(tag, at - window - STANDING, at + window)
    begins = micros(at - window)
    inside = times >= begins
    if speaks_of_changes(instrument) and np.any(~inside):
        inside[np.flatnonzero(~inside)[-1]] = True  # stands until the next one
    if not np.any(inside):
        return f"no good reading of {tag} within {window / timedelta(minutes=1):g} min"
    value = convert(lab.value, lab.unit, instrument.unit)
    return Pair(entry.id, tag, at, value, float(np.median(values[inside])), int(inside.sum()), instrument.unit)


def since_calibration(pairs: Iterable[Pair], entries: Iterable[Entry]) -> list[Pair]:
    """Pairs after the last calibration of their analyser: what it read before was another instrument, so to speak."""
    last = _calibrated(entries)
    return [each for each in pairs if each.tag not in last or each.at > last[each.tag]]


def _calibrated(entries: Iterable[Entry]) -> dict[str, datetime]:
    last: dict[str, datetime] = {}
    for entry in entries:
        if entry.kind == "calibration":
            tag = str(entry.data.get("tag"))
            last[tag] = max(entry.at, last.get(tag, entry.at))
    return last


def corrections(entries: Sequence[Entry], skid: SkidView, read: Read) -> dict[str, Correction]:
    """By tag what the skid's laboratory results, and its calibrations, say of its analysers; those that need none
    are not there.
    """
    mine = [entry for entry in entries if entry.skid == skid.id]
    pairs, last = since_calibration(pair(mine, skid, read)[0], mine), _calibrated(mine)
    found: dict[str, Correction] = {}
    for tag in sorted({each.tag for each in pairs}):
        own = [each for each in pairs if each.tag == tag]
        told = compare(own).correction if len(own) >= LEAST_PAIRS else None
        if told is not None:
            found[tag] = replace(told, since=last.get(tag))
    return found


def compare(pairs: Sequence[Pair]) -> Comparison:
    """One analyser's pairs in order of time; ValueError for fewer than 3, or for several analysers."""
    if len({each.tag for each in pairs}) > 1:
        raise ValueError(f"pairs of several analysers: {', '.join(sorted({each.tag for each in pairs}))}")
    lab = np.array([each.lab for each in pairs])
    reading = np.array([each.reading for each in pairs])
    offset = bias(reading, lab)
    try:
        line = deming(reading, lab)
    except ValueError:  # they do not vary together
        line = None
    return Comparison(
        tag=pairs[0].tag,
        unit=pairs[0].unit,
        pairs=tuple(pairs),
        bias=offset,
        line=line,
        chart=_chart(reading, lab),
        correction=_correction(pairs, offset, line),
    )


def _chart(reading: F64, lab: F64) -> Ewma | None:
    """Centre and σ are those of the first pairs. Logs, for a ratio of 2 is as far from 1 as one of ½."""
    if len(lab) < LEAST_PAIRS or np.any(lab <= 0) or np.any(reading <= 0):
        return None
    ratio = np.log(reading / lab)
    first = ratio[:LEAST_PAIRS]
    sigma = moving_range_sigma(first)
    return ewma(ratio, centre=float(np.mean(first)), sigma=sigma) if sigma > 0 else None


def _correction(pairs: Sequence[Pair], offset: Estimate, line: Line | None) -> Correction | None:
    """None where there are too few pairs, where the line is not surely rising, or where nothing needs correcting."""
    if len(pairs) < LEAST_PAIRS or line is None or line.slope.low <= 0:
        return None
    if offset.holds(0.0) and line.slope.holds(1.0):
        return None
    rests_on = hashlib.sha256()
    for each in pairs:
        rests_on.update(f"{each.entry} {each.tag} {each.lab!r} {each.reading!r}\n".encode())
    readings = [each.reading for each in pairs]
    return Correction(
        tag=pairs[0].tag,
        unit=pairs[0].unit,
        slope=line.slope.value,
        intercept=line.intercept.value,
        low=min(readings),
        high=max(readings),
        pairs=len(pairs),
        version=f"{VERSION}.{rests_on.hexdigest()[:12]}",
    )


def corrected(reading: F64, correction: Correction) -> F64:
    """New array (n,) in the analyser's unit; NaN outside of what was compared. ``reading`` is left as it is."""
    inside = (reading >= correction.low) & (reading <= correction.high)
    return np.where(inside, (reading - correction.intercept) / correction.slope, np.nan)
