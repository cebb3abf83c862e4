"""Trends over any span, read from the store's buckets so that a year costs what an hour does."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import pyarrow as pa

from board.viewer import Viewer
from skidhand.fleet import Fleet, Instrument, Skid
from skidhand.model.samples import micros, moment, series_id, split_series
from skidhand.stores.base import WIDTHS, Store
from skidhand.stores.rows import micros_of

POINTS: Final = 600
"""About as many points as a screen can tell apart."""

SPANS: Final = {
    "1h": timedelta(hours=1),
    "8h": timedelta(hours=8),
    "1d": timedelta(days=1),
    "7d": timedelta(days=7),
    "30d": timedelta(days=30),
    "365d": timedelta(days=365),
}
LONGEST: Final = timedelta(days=3660)
CHANGES: Final = 1200.0  # seconds without a sample that say nothing yet of one that reports on change
COLUMNS: Final = ("series", "start", "min", "max", "last", "integral", "covered")


@dataclass(frozen=True, slots=True)
class Panel:
    """One instrument over a span: bucket by bucket, None where nothing usable is. ``mean`` of a state or a
    meter's total is its last value."""

    tag: str
    instrument: Instrument
    start: datetime
    width: int
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]
    mean: tuple[float | None, ...]

    @property
    def empty(self) -> bool:
        """True when there is no usable sample in the span."""
        return all(value is None for value in self.mean)

    def gaps(self) -> Iterator[tuple[int, int]]:
        """Runs [first, last) of buckets without a sample that are longer than the instrument may be silent."""
        silent = silent_s(self.instrument, self.width)
        begin: int | None = None
        for at, value in enumerate((*self.mean, 0.0)):
            if value is None:
                begin = at if begin is None else begin
            elif begin is not None:
                if (at - begin) * self.width >= silent:
                    yield begin, at
                begin = None


def width_for(start: datetime, end: datetime) -> int:
    """The bucket width in seconds that gives about POINTS points."""
    wanted = (end - start).total_seconds() / POINTS
    return next((width for width in WIDTHS if width >= wanted), WIDTHS[-1])


def panels(
    store: Store, fleet: Fleet, viewer: Viewer, skid: Skid, tags: Sequence[str], start: datetime, end: datetime
) -> list[Panel]:
    """A panel a tag, in the order of ``tags``; only what ``viewer`` may see of the span is read."""
    width = width_for(start, end)
    first = micros(start) // (width * 1_000_000) * width * 1_000_000
    count = max(1, math.ceil((micros(end) - first) / (width * 1_000_000)))
    series = [series_id(skid.id, tag) for tag in tags]
    parts = [store.read_buckets(series, a, b, width) for a, b in viewer.clip(fleet, skid, start, end)]
    table = pa.concat_tables(parts) if parts else None
    rows: dict[str, list[tuple[int, float | None, float | None, float | None]]] = {tag: [] for tag in tags}
    if table is not None:
        columns = [micros_of(table[c]).tolist() if c == "start" else table[c].to_pylist() for c in COLUMNS]
        for name, began, low, high, last, integral, covered in zip(*columns, strict=True):
            tag = split_series(name)[1]
            stepped = skid.instruments[tag].total or skid.instruments[tag].states
            mean = last if stepped or not covered else integral / covered
            rows[tag].append(((began - first) // (width * 1_000_000), low, high, mean))
    return [_panel(tag, skid.instruments[tag], moment(first), width, count, rows[tag]) for tag in tags]


def silent_s(instrument: Instrument, width: int) -> float:
    """Seconds without a sample that say nothing yet."""
    usual = max(2.0 * width, 3.0 * (instrument.expected_s or 0.0))
    return max(usual, CHANGES) if instrument.reporting == "on_change" else usual


def _panel(
    tag: str,
    instrument: Instrument,
    start: datetime,
    width: int,
    count: int,
    rows: list[tuple[int, float | None, float | None, float | None]],
) -> Panel:
    low: list[float | None] = [None] * count
    high, mean = list(low), list(low)
    for at, least, most, middle in rows:
        if 0 <= at < count and middle is not None:
            low[at], high[at], mean[at] = least, most, middle
    if instrument.reporting == "on_change" or (instrument.expected_s or 0.0) > width:
        _hold(low, high, mean, int(silent_s(instrument, width) / width))
    return Panel(tag, instrument, start, width, tuple(low), tuple(high), tuple(mean))


def _hold(low: list[float | None], high: list[float | None], mean: list[float | None], most: int) -> None:
    """Between two samples of what reports seldom its last value stands, for at most ``most`` buckets."""
    value, left = None, 0
    for at, found in enumerate(mean):
        if found is not None:
            value, left = found, most
        elif left > 0:
            low[at] = high[at] = mean[at] = value
            left -= 1


def scale_of(values: Sequence[float]) -> tuple[float, float]:
    """A lower and an upper end that are round numbers and hold all of ``values``."""
    low, high = min(values), max(values)
    if -0.02 * (high - low) < low < 0.0:
        low = 0.0  # noise around zero is no reason for a scale below it
    if high - low < 1e-9 * max(1.0, abs(high)):
        low, high = low - max(0.5, abs(low) * 0.05), high + max(0.5, abs(high) * 0.05)
    step = 10.0 ** math.floor(math.log10((high - low) / 2.0))
    step *= next(factor for factor in (1.0, 2.0, 5.0, 10.0) if (high - low) / (step * factor) <= 6.0)
    return math.floor(low / step) * step, math.ceil(high / step) * step
