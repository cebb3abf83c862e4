"""Samples as JSON messages: rows of one source time become one object, several objects one message."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import orjson
import pyarrow as pa

from skidhand.errors import InputFileError
from skidhand.fleet import Fleet
from skidhand.model.quality import GOOD
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
    return {
        f"{skid.id}/{tag}": instrument.alias
        for skid in fleet.skids
        for tag, instrument in skid.instruments.items()
        if instrument.alias is not None
    }


def messages(
    samples: pa.Table, site_of: SiteOf, *, points_per_message: int = 10, names: Mapping[str, str] | None = None
) -> Iterator[Message]:
    """JSON messages of ``samples`` (schema SAMPLES), in the order of the rows.

    A message is one object, or a list of up to ``points_per_message`` of them; a single one is not a list.
    """
    points: list[dict[str, Any]] = []
    topic, count = "", 0
    for here, point in _points(samples, site_of, names or {}):
        if points and (here != topic or len(points) == points_per_message):
            yield _message(topic, points, count)
            points, count = [], 0
        topic = here
        points.append(point)
        count += len(point["values"])
    if points:
        yield _message(topic, points, count)


def _message(topic: str, points: list[dict[str, Any]], count: int) -> Message:
    return Message(topic, orjson.dumps(points[0] if len(points) == 1 else points), count)


def _points(samples: pa.Table, site_of: SiteOf, names: Mapping[str, str]) -> Iterator[tuple[str, dict[str, Any]]]:
    times: list[int] = samples["time"].cast(pa.int64()).to_numpy().tolist()
    texts = _rfc3339(times)
    series: list[Any] = samples["series"].to_pylist()
    values, qualities = samples["value"].to_pylist(), samples["quality"].to_pylist()
    place, point = ("", -1), dict[str, Any]()
    for name, time, text, value, quality in zip(series, times, texts, values, qualities, strict=True):
        skid, tag = split_series(name)
        tag = names.get(name, tag)
        if place != (skid, time) or tag in point["values"]:
            if point:
                yield _topic(place, site_of), point
            place, point = (skid, time), {"time": text, "values": {}}
        point["values"][tag] = value
        if quality != GOOD:
            point.setdefault("status", {})[tag] = quality
    if point:
        yield _topic(place, site_of), point


def _topic(place: tuple[str, int], site_of: SiteOf) -> str:
    skid, time = place
    return f"skidhand/{site_of(skid, time)}/{skid}/samples"


def _rfc3339(times_us: list[int]) -> list[str]:
    """RFC 3339 in UTC, to the millisecond where that says all, else to the microsecond."""
    array = np.asarray(times_us, dtype="datetime64[us]")
    whole = not np.any(np.asarray(times_us, dtype=np.int64) % 1000)
    return [f"{text}Z" for text in np.datetime_as_string(array, unit="ms" if whole else "us").tolist()]
