"""Samples as messages: rows of one source time become one point, several points one message."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

import numpy as np
import orjson
import pyarrow as pa

from skidhand.errors import InputFileError
from skidhand.fleet import Fleet
from skidhand.model.quality import GOOD, is_bad
from skidhand.model.samples import micros, split_series

SiteOf = Callable[[str, int], str]
"""(skid, source time in µs) → the site where the skid stood then."""


@dataclass(frozen=True, slots=True)
class Message:
    """One publication: topic, payload and how many samples it carries."""

    topic: str
    payload: bytes
    samples: int


def sites(fleet: Fleet) -> SiteOf:
    """Looks up placements; the function raises InputFileError for a skid that stood nowhere at that time."""
    spans: dict[str, list[tuple[int, int | None, str]]] = {}
    for skid in fleet.skids:
        found = []
        for placement in skid.placements:
            start, end = fleet.placement_span(placement)
            found.append((micros(start), None if end is None else micros(end), placement.site))
        spans[skid.id] = sorted(found, key=lambda span: span[0])

    always = micros(datetime(1970, 1, 1, tzinfo=UTC))
    for site in fleet.sites:  # shared tanks speak in the name of their site
        if site.instruments:
            spans[site.id] = [(always, None, site.id)]

    def site_of(skid: str, time_us: int) -> str:
        stood = spans.get(skid, [])
        at = bisect_right(stood, time_us, key=lambda span: span[0]) - 1
        if at < 0 or (stood[at][1] is not None and time_us >= (stood[at][1] or 0)):
            when = np.datetime64(time_us, "us")
            raise InputFileError(
                f"skid {skid!r} stood on no site at {when}Z; its placements in the fleet file say where"
            )
        return stood[at][2]

    return site_of


def wire_names(fleet: Fleet) -> dict[str, str]:
    """Series id → its name on the wire, for the instruments that have an alias."""
    owners = [(skid.id, skid.instruments) for skid in fleet.skids]
    owners += [(site.id, site.instruments) for site in fleet.sites]
    return {
        f"{owner}/{tag}": instrument.alias
        for owner, instruments in owners
        for tag, instrument in instruments.items()
        if instrument.alias is not None
    }


@dataclass(slots=True)
class Point:
    """What one skid read at one time: name on the wire → value, and → StatusCode where it is not Good."""

    skid: str
    time_us: int
    received_us: int
    values: dict[str, float | None]
    status: dict[str, int]


@dataclass(frozen=True, slots=True)
class Payload:
    """A way to write points down: the last level of its topic, and points → bytes."""

    level: str
    encode: Callable[[list[Point]], bytes]


def messages(
    samples: pa.Table,
    site_of: SiteOf,
    *,
    points_per_message: int = 10,
    names: Mapping[str, str] | None = None,
    payload: Payload | None = None,
) -> Iterator[Message]:
    """Messages of ``samples`` (schema SAMPLES), in the order of the rows; plain JSON unless told otherwise.

    A message carries up to ``points_per_message`` points of one skid and site.
    """
    how = payload or PAYLOADS["json"]
    waiting: list[Point] = []
    topic = ""
    for point in points(samples, names):
        here = f"skidhand/{site_of(point.skid, point.time_us)}/{point.skid}/{how.level}"
        if waiting and (here != topic or len(waiting) == points_per_message):
            yield _message(topic, waiting, how)
            waiting = []
        topic = here
        waiting.append(point)
    if waiting:
        yield _message(topic, waiting, how)


def points(samples: pa.Table, names: Mapping[str, str] | None = None) -> Iterator[Point]:
    """Rows of one skid and time that stand together as one point; a name twice begins another."""
    known = names or {}
    series: list[Any] = samples["series"].to_pylist()
    times, received = (samples[name].cast(pa.int64()).to_numpy().tolist() for name in ("time", "received"))
    values: list[Any] = samples["value"].to_pylist()
    qualities: list[Any] = samples["quality"].to_pylist()
    point = None
    for name, time, arrived, value, quality in zip(series, times, received, values, qualities, strict=True):
        skid, tag = split_series(name)
        tag = known.get(name, tag)
        if point is None or (point.skid, point.time_us) != (skid, time) or tag in point.values:
            if point is not None:
                yield point
            point = Point(skid, time, arrived, {}, {})
        point.values[tag] = value
        if quality != GOOD:
            point.status[tag] = quality
    if point is not None:
        yield point


def _message(topic: str, waiting: list[Point], how: Payload) -> Message:
    return Message(topic, how.encode(waiting), sum(len(point.values) for point in waiting))


def _json(waiting: list[Point]) -> bytes:
    """An object, or a list of them; a single one is no list."""
    texts = _rfc3339([point.time_us for point in waiting])
    objects = [
        {"time": text, "values": point.values, **({"status": point.status} if point.status else {})}
        for text, point in zip(texts, waiting, strict=True)
    ]
    return orjson.dumps(objects[0] if len(objects) == 1 else objects)


def _senml(waiting: list[Point]) -> bytes:
    """One pack (RFC 8428), without units: values are in the declared ones.

    SenML knows no quality: what is Bad is sent as no reading, and doubt is lost.
    """
    base_us = waiting[0].time_us
    records: list[dict[str, Any]] = []
    for point in waiting:
        later = {"t": _seconds(point.time_us - base_us)} if point.time_us != base_us else {}
        for name, value in point.values.items():
            bad = is_bad(point.status.get(name, GOOD))
            records.append({"n": name, **later, "v": None if bad else value})
    if records:
        records[0] = {"bt": _seconds(base_us), **records[0]}
    return orjson.dumps(records)


def _seconds(microseconds: int) -> int | float:
    return microseconds // 1_000_000 if microseconds % 1_000_000 == 0 else microseconds / 1_000_000


def _rfc3339(times_us: list[int]) -> list[str]:
    """RFC 3339 in UTC, to the millisecond where that says all, else to the microsecond."""
    array = np.asarray(times_us, dtype="datetime64[us]")
    whole = not np.any(np.asarray(times_us, dtype=np.int64) % 1000)
    return [f"{text}Z" for text in np.datetime_as_string(array, unit="ms" if whole else "us").tolist()]


PAYLOADS: Final[dict[str, Payload]] = {"json": Payload("samples", _json), "senml": Payload("senml", _senml)}
"""Payloads whose messages each stand alone; for Sparkplug see :mod:`simulator.sparkplug`."""
