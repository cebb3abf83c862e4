"""How samples lie in InfluxDB: names, line protocol out, query answers in.

``skidhand_samples``  tags ``series``, ``writer``, ``slot``; fields ``value``, ``special``, ``quality``,
``received`` (µs) and ``batch``; at the source time. ``skidhand_ledger``  tag ``writer``; fields ``digest`` and
``covers``; one point a batch, whose time is no time but the batch's number in µs, so that the last point is the
last batch and a span of numbers is a span of time.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any, Final, NamedTuple
from urllib.parse import quote, unquote

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from skidhand.model.samples import TIMESTAMP
from skidhand.stores.rows import ROWS

SAMPLES: Final = '"skidhand_samples"'
LEDGER: Final = '"skidhand_ledger"'
CLOCK: Final = '"skidhand_clock"'

FIELDS: Final = '"value", "special", "quality", "received", "batch"'
"""What a query for samples selects; :func:`rows_of` takes the columns in this order after the time."""

EARLIEST_US: Final = -9_223_372_036_854_775
LATEST_US: Final = 9_223_372_036_854_775
"""The engine counts nanoseconds in an int64: 1677-09-21 to 2262-04-11."""

GAP_US: Final = 600_000_000
"""Source times further apart than this lie in two of a batch's intervals."""

UNLANDED: Final = 2**63 - 1
"""Above every batch number."""

NAMES: Final = 200
"""Series that one statement asks for."""

Interval = tuple[int, int]
"""First and last source time, microseconds, both included."""


class Row(NamedTuple):
    """A row of ROWS less its writer and batch."""

    series: str
    time_us: int
    value: float | None
    quality: int
    received_us: int


class Part(NamedTuple):
    """Some rows of one statement's answer that have their tags in common."""

    statement: int
    tags: dict[str, str]
    columns: list[str]
    values: list[list[Any]]


def quoted(name: str) -> str:
    """``name`` in letters, digits and ``_.-~/%`` only (percent-encoded UTF-8, RFC 3986).

    Line protocol cannot hold a newline or a backslash before its end in a tag, and has no empty one; InfluxQL
    has other rules again. What needs no escape is the same in all of them, and usual ids stay as they are.
    """
    return quote(name, safe="/") or "%"


def unquoted(text: str) -> str:
    """The opposite of :func:`quoted`."""
    return "" if text == "%" else unquote(text)


def sample_head(series: str, writer: str, slot: int) -> str:
    """Measurement and tags of a line."""
    return f"skidhand_samples,series={quoted(series)},slot={slot},writer={quoted(writer)}"


def sample_line(head: str, row: Row, batch: int, *, reused: bool) -> str:
    """One line; ``reused``: the point may exist already, so no field of it may keep its old value.

    The engine has no null, NaN or infinity, and its JSON says 0 for −0.0: ``special`` says which it is.
    """
    value = row.value
    if value is None:
        given = 'special="null"'
    elif not math.isfinite(value) or (value == 0 and math.copysign(1, value) < 0):
        given = f'special="{value!r}"'
    else:
        given = f'value={value!r},special=""' if reused else f"value={value!r}"
    return f"{head} {given},quality={row.quality}i,received={row.received_us}i,batch={batch}i {row.time_us * 1000}"


def ledger_line(writer: str, number: int, digest: str, covers: Iterable[Interval]) -> str:
    """The line that makes a batch visible."""
    intervals = " ".join(f"{first},{last}" for first, last in covers)
    return f'skidhand_ledger,writer={quoted(writer)} digest="{quoted(digest)}",covers="{intervals}" {number * 1000}'


def parse_covers(text: str) -> list[Interval]:
    """The intervals of a ledger point."""
    pairs = (pair.partition(",") for pair in text.split())
    return [(int(first), int(last)) for first, _, last in pairs]


def intervals_of(times: npt.NDArray[np.int64]) -> list[Interval]:
    """What these times cover, cut where two neighbours lie more than GAP_US apart."""
    if len(times) == 0:
        return []
    times = np.sort(times)
    cuts = np.flatnonzero(np.diff(times) > GAP_US)
    firsts, lasts = times[np.append(0, cuts + 1)], times[np.append(cuts, -1)]
    return list(zip(firsts.tolist(), lasts.tolist(), strict=True))


def merged(intervals: Iterable[Interval]) -> list[Interval]:
    """The same times in as few intervals as can be."""
    whole: list[Interval] = []
    for first, last in sorted(intervals):
        if whole and first <= whole[-1][1] + GAP_US:
            whole[-1] = (whole[-1][0], max(whole[-1][1], last))
        else:
            whole.append((first, last))
    return whole


def between(first_us: int, last_us: int) -> str:
    """The InfluxQL condition first ≤ time ≤ last; without one the engine stops some queries at its own now."""
    first, last = max(first_us, EARLIEST_US), min(last_us, LATEST_US)
    return f"time >= {first * 1000} AND time <= {last * 1000}"


def any_of(series: Iterable[str]) -> list[str]:
    """InfluxQL conditions that the series is one of these, for NAMES of them each."""
    names = sorted(set(series))
    return [_one_of(names[start : start + NAMES]) for start in range(0, len(names), NAMES)]


def _one_of(series: Sequence[str]) -> str:
    return "(" + " OR ".join(f"\"series\" = '{quoted(name)}'" for name in series) + ")"


def by(writer: str) -> str:
    """The InfluxQL condition that ``writer`` wrote it."""
    return f"\"writer\" = '{quoted(writer)}'"


def rows_of(part: Part) -> pa.Table:
    """ROWS of an answer to ``SELECT FIELDS … GROUP BY "series", "writer", "slot"``.

    A point that is being written for the first time may be seen with some of its fields: its batch is UNLANDED.
    """
    whole = [row if None not in row[3:] else (*row[:3], 0, 0, UNLANDED) for row in part.values]
    times, values, specials, quality, received, batch = zip(*whole, strict=True)
    value = np.array(values, dtype=np.float64)  # an absent one becomes NaN
    absent = np.isnan(value)
    for place, special in enumerate(specials):
        if special:
            absent[place] = special == "null"
            value[place] = math.nan if special == "null" else float(special)
    columns: list[pa.Array[Any]] = [
        pa.repeat(pa.scalar(unquoted(part.tags["series"])), len(times)),
        pa.array(np.array(times, dtype=np.int64) // 1000, type=TIMESTAMP),
        pa.array(value, mask=absent),
        pa.array(quality, type=pa.int64()),
        pa.array(np.array(received, dtype=np.int64), type=TIMESTAMP),
        pa.repeat(pa.scalar(unquoted(part.tags["writer"])), len(times)),
        pa.array(batch, type=pa.int64()),
    ]
    return pa.table(columns, schema=ROWS)
