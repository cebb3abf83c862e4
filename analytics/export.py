"""Series for people who analyse: raw or cleaned, true to their units, honest about gaps, the same to the byte.

The answer to a request follows from the request, the fleet version and the store's version alone. It is
read and written a day at a time, so its length costs no memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, BinaryIO, Final, Literal

import numpy as np
import pyarrow as pa

from analytics.blocks import clean_both
from analytics.carry import Carry
from analytics.cleaning import Rules, TagMinutes, rules_of
from analytics.derived import available, derive
from analytics.export_corrected import Corrections, corrected_minutes, corrected_names
from analytics.export_files import FLAGS, Column, Format, Meta, write
from analytics.frame import F64, I64, U16, UNUSABLE, Block, Flag
from analytics.grid import last_index, rows_of
from analytics.lab import Correction
from analytics.segments import minute_of, time_of
from skidhand.clock import MINUTE_US
from skidhand.errors import NotFoundError, UserError
from skidhand.fleet import FleetVersion, SkidView, skid_view
from skidhand.model.samples import TIMESTAMP, micros, series_id, split_series
from skidhand.stores.base import WIDTHS, Policy, Store

Stage = Literal["raw", "cleaned"]
DAY: Final = 1440
LEAD: Final = 2 * DAY  # minutes that are cleaned before the start, so that held and frozen are known there


@dataclass(frozen=True, slots=True)
class Request:
    """What is wanted. ``names``: tags, and derived series as ``<unit>.<quantity>`` (cleaned only); all if empty.

    ``resolution`` in seconds snaps up to one of ``skidhand.stores.base.WIDTHS``; None gives raw samples, or
    cleaned minutes. ``policy``: cleaned values are shown only where it takes them, gaps and all.
    """

    skid: str
    start: datetime
    end: datetime
    names: tuple[str, ...] = ()
    stage: Stage = "raw"
    resolution: int | None = None
    policy: Policy = "usable"


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written: rows, the width it was snapped to, and the store's version, good as ``as_of`` again."""

    rows: int
    width: int | None
    version: str


def export(
    store: Store,
    fleet: FleetVersion,
    request: Request,
    *,
    format: Format,
    out: Path | BinaryIO,
    as_of: str | None = None,
    corrections: Corrections | None = None,
    progress: Callable[[int], None] | None = None,
) -> Exported:
    """Write what ``request`` wants to ``out`` (a path is replaced only once all is written).

    ``corrections``, by tag, give corrected series beside the cleaned readings.
    ``progress`` hears the rows so far, after each piece. UserError where the request cannot be met;
    NotFoundError for an unknown skid, tag or series.
    """
    found = fleet.fleet.skid(request.skid)
    if found is None:
        known = ", ".join(sorted(s.id for s in fleet.fleet.skids))
        raise NotFoundError(f"no skid {request.skid!r} in this fleet; there are {known}")
    view = skid_view(found)
    corrected = corrected_names(view, corrections or {}) if request.stage == "cleaned" else {}
    units = _units(view, request, {name: one.unit for name, one in corrected.items()})
    width = _width(request)
    if as_of and "as_of" in store.lacks:
        raise UserError(f"this store gives no earlier state: {store.lacks['as_of']}")
    version = as_of or store.version()
    pinned = None if "as_of" in store.lacks else version
    meta = Meta(
        fleet=fleet.fleet.fleet,
        fleet_version=fleet.digest,
        store_version=version,
        skid=request.skid,
        start=request.start.astimezone(UTC),
        end=request.end.astimezone(UTC),
        stage=request.stage,
        width_s=width,
        policy=request.policy,
        units={name: unit for name, unit in units.items() if name in _wanted(units, request)},
        corrections={name: one.version for name, one in corrected.items() if name in _wanted(units, request)},
        flags={} if request.stage == "raw" else FLAGS,
        definition=found.model_dump(mode="json", by_alias=True, exclude_none=True),
    )
    if request.stage == "raw":
        columns = _BUCKETS if width else _SAMPLES
        tables = _raw(store, request, meta, width, pinned)
    else:
        columns = _MINUTES
        tables = _cleaned(store, view, request, meta, width or 60, pinned, corrections or {})
    return Exported(write(_told(tables, progress), columns, meta, format, out), width, version)


def _told(tables: Iterator[pa.Table], progress: Callable[[int], None] | None) -> Iterator[pa.Table]:
    rows = 0
    for table in tables:
        yield table
        rows += len(table)
        if progress is not None:
            progress(rows)


_NAMED: Final = (Column("time", TIMESTAMP), Column("series", pa.string()))
_SAMPLES: Final = (
    *_NAMED, Column("value", pa.float64()), Column("unit", pa.string()), Column("quality", pa.int64()),
    Column("received", TIMESTAMP),
)  # fmt: skip
_BUCKETS: Final = (
    *_NAMED, *(Column(name, pa.float64()) for name in ("mean", "min", "max", "first", "last")),
    Column("unit", pa.string()), Column("count", pa.int64()), Column("covered_s", pa.float64()),
)  # fmt: skip
_MINUTES: Final = (
    *_NAMED, *(Column(name, pa.float64()) for name in ("value", "low", "high")), Column("unit", pa.string()),
    Column("count", pa.int64()), Column("flags", pa.int64()),
)  # fmt: skip


def _units(view: SkidView, request: Request, corrected: dict[str, str]) -> dict[str, str]:
    """Unit of each series that there is, after the request has been judged."""
    if request.start.tzinfo is None or request.end.tzinfo is None:
        raise UserError("start and end need a time zone, for example 2026-03-01T00:00:00Z")
    if request.start >= request.end:
        raise UserError(f"the start {request.start.isoformat()} must lie before the end {request.end.isoformat()}")
    units = {tag: instrument.unit for tag, instrument in view.instruments.items()} | corrected
    if request.stage == "cleaned":
        units |= {f"{unit.id}.{quantity.name}": quantity.unit for unit, quantity in available(view)}
    for name in request.names:
        if name not in units:
            hint = " (derived series are cleaned, not raw)" if "." in name and request.stage == "raw" else ""
            raise NotFoundError(f"skid {view.id!r} has no series {name!r}{hint}; there are {', '.join(sorted(units))}")
    return units


def _wanted(units: dict[str, str], request: Request) -> tuple[str, ...]:
    return tuple(sorted(set(request.names or units)))


def _width(request: Request) -> int | None:
    if request.resolution is None:
        return None
    fitting = [width for width in WIDTHS if width >= request.resolution > 0]
    if not fitting:
        raise UserError(f"resolution {request.resolution} s must lie in 1 to {WIDTHS[-1]} s")
    return fitting[0]


def _days(start: datetime, end: datetime) -> Iterator[tuple[datetime, datetime]]:
    """[start, end) cut at UTC midnights."""
    while start < end:
        midnight = datetime(start.year, start.month, start.day, tzinfo=UTC) + timedelta(days=1)
        yield start, min(end, midnight)
        start = midnight


def _raw(store: Store, request: Request, meta: Meta, width: int | None, as_of: str | None) -> Iterator[pa.Table]:
    series = [series_id(request.skid, name) for name in sorted(meta.units)]
    for start, end in _days(meta.start, meta.end):
        if width is None:
            got = store.read(series, start, end, policy=request.policy, as_of=as_of)
            columns: dict[str, Any] = {name: got[name] for name in ("time", "value", "quality", "received")}
        else:
            got = store.read_buckets(series, start, end, width, policy=request.policy, as_of=as_of)
            covered = got["covered"].to_numpy()
            with np.errstate(invalid="ignore", divide="ignore"):
                mean = np.where(covered > 0, got["integral"].to_numpy() / covered, np.nan)
            columns = {"time": got["start"], "mean": pa.array(mean, from_pandas=True), "covered_s": got["covered"]}
            columns |= {name: got[name] for name in ("min", "max", "first", "last", "count")}
        coded = pa.chunked_array(got["series"].chunks, pa.string()).combine_chunks().dictionary_encode()
        names = [split_series(str(name))[1] for name in coded.dictionary.to_pylist()]
        columns["series"] = pa.array(names, pa.string()).take(coded.indices)
        columns["unit"] = pa.array([meta.units[name] for name in names], pa.string()).take(coded.indices)
        yield pa.table(columns)


def _cleaned(
    store: Store, view: SkidView, request: Request, meta: Meta, width: int, as_of: str | None,
    corrections: Corrections,
) -> Iterator[pa.Table]:  # fmt: skip
    """Minutes of each day, one series after the other; the lead before the start only feeds the carry."""
    rules = rules_of(view, tuple(view.instruments))
    step = width // 60
    begin = micros(meta.start) // MINUTE_US // step * step
    end = -(-minute_of(meta.end) // step) * step
    series = [series_id(view.id, tag) for tag in rules.tags]  # all: partners tell whether one is frozen
    carry, corrected = Carry(), corrected_names(view, corrections)
    for start, stop in pieces(begin - LEAD, begin, end):
        samples = store.read(series, time_of(start), time_of(stop), as_of=as_of)
        rows = rows_of(samples, view.id, rules.tags)
        block, minutes, carry = clean_both(view, rows, start, stop, carry, rules=rules)
        if start < begin:
            continue
        yield pa.concat_tables(
            _table(name, unit, start, _coarser(figures, step, request.policy, state=name in rules.states), step)
            for name, unit in sorted(meta.units.items())
            for figures in [
                _corrected(rules, minutes, block, corrected[name])
                if name in corrected
                else _figures(view, rules, minutes, block, name)
            ]
        )


_Figures = tuple[F64, F64, F64, I64, U16]


def _figures(view: SkidView, rules: Rules, minutes: TagMinutes, block: Block, name: str) -> _Figures:
    if name in rules.tags:
        i, cells = rules.tags.index(name), minutes.cells
        value = cells.last[i] if name in rules.states else cells.value[i]
        return value, cells.low[i], cells.high[i], cells.count[i], minutes.flags[i]
    unit, quantity = next((u, q) for u, q in available(view) if f"{u.id}.{q.name}" == name)
    series = derive(view, unit, quantity, block)
    return series.value, series.value, series.value, np.isfinite(series.value).astype(np.int64), series.flags


def _corrected(rules: Rules, minutes: TagMinutes, block: Block, correction: Correction) -> _Figures:
    i = rules.tags.index(correction.tag)
    value = corrected_minutes(minutes.cells.value[i], block.minutes, correction)
    return value, value, value, np.isfinite(value).astype(np.int64), minutes.flags[i]


def _coarser(figures: _Figures, step: int, policy: Policy, *, state: bool) -> _Figures:
    """Figures that the policy takes, ``step`` minutes at a time: mean of means, extremes, sum, all flags.

    A ``state`` is what it was last, never a mean.
    """
    value, low, high, count, flags = figures
    refused = int(UNUSABLE) | (int(Flag.UNCERTAIN) if policy == "good" else 0)
    shown = np.isfinite(value) if policy == "all" else np.isfinite(value) & ((flags & refused) == 0)
    value, low, high = (np.where(shown, array, np.nan).reshape(-1, step) for array in (value, low, high))
    known = np.isfinite(value)
    n = known.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(n > 0, np.where(known, value, 0.0).sum(axis=1) / n, np.nan)
    if state:
        mean = np.take_along_axis(value, np.maximum(last_index(known)[:, -1:], 0), axis=1)[:, 0]
    lowest = np.where(n > 0, np.where(known, low, np.inf).min(axis=1), np.nan)
    highest = np.where(n > 0, np.where(known, high, -np.inf).max(axis=1), np.nan)
    return mean, lowest, highest, count.reshape(-1, step).sum(axis=1), np.bitwise_or.reduce(flags.reshape(-1, step), 1)


def _table(name: str, unit: str, start: int, figures: _Figures, step: int) -> pa.Table:
    value, low, high, count, flags = figures
    n = len(value)
    times = (start + step * np.arange(n, dtype=np.int64)) * MINUTE_US
    return pa.table(
        {
            "time": pa.array(times).cast(TIMESTAMP),
            "series": pa.array([name] * n, pa.string()),
            **{k: pa.array(a, from_pandas=True) for k, a in (("value", value), ("low", low), ("high", high))},
            "unit": pa.array([unit] * n, pa.string()),
            "count": pa.array(count),
            "flags": pa.array(flags.astype(np.int64)),
        }
    )


def pieces(lead: int, begin: int, end: int) -> Iterator[tuple[int, int]]:
    """Minutes [lead, end) cut at UTC midnights and at ``begin``."""
    start = lead
    while start < end:
        stop = min(end, (start // DAY + 1) * DAY)
        stop = begin if start < begin < stop else stop
        yield start, stop
        start = stop


def series_names(view: SkidView, corrections: Corrections | None = None) -> Sequence[str]:
    """Every name that a cleaned export may ask for."""
    corrected = corrected_names(view, corrections or {})
    return sorted(
        [*view.instruments, *corrected, *(f"{unit.id}.{quantity.name}" for unit, quantity in available(view))]
    )
