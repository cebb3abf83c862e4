"""Plain JSON: an object (or a list of objects) of one time and many values.

Topic ``skidhand/<site>/<skid>/samples``. JSON is RFC 8259; NaN and Infinity are not JSON, but many
senders write them, so a text that holds them is read all the same and only those values are refused.
Of repeated keys in one object the last counts, as RFC 8259 (section 4) says of most readers.
"""

from __future__ import annotations

import json
from typing import Final

import orjson

from ingest.formats.base import Decoded, Reading
from ingest.reasons import Reason, Tally, shown
from ingest.wiretime import wire_time

VERSION: Final = 1


class JsonSamples:
    """``{"time": …, "values": {tag: number | bool | null}, "status": {tag: StatusCode}}``."""

    name = "json"
    topics = ("skidhand/+/+/samples",)

    def decode(self, topic: str, payload: bytes) -> Decoded:
        """See :meth:`ingest.formats.base.Format.decode`."""
        decoded = Decoded()
        _, site, skid, _ = topic.split("/")
        document = _parse(payload, decoded.refused)
        if document is None:
            return decoded
        for item in document if isinstance(document, list) else (document,):
            reading = _reading(item, site, skid, decoded.refused)
            if reading is not None:
                decoded.readings.append(reading)
        return decoded


def _parse(payload: bytes, refused: Tally) -> object | None:
    try:
        document: object = orjson.loads(payload)
    except orjson.JSONDecodeError as strict:
        document = _parse_leniently(payload, str(strict), refused)
    else:
        if document is None:
            refused.add(Reason.BAD_SHAPE, "the payload is null")
    return document


def _parse_leniently(payload: bytes, why: str, refused: Tally) -> object | None:
    """As RFC 8259, and with NaN, Infinity and numbers that overflow; these come out as such floats."""
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError as error:
        refused.add(Reason.BAD_UTF8, f"byte {error.start} of {len(payload)}: {error.reason}")
        return None
    try:
        document: object = json.loads(text)
    except (ValueError, RecursionError):
        refused.add(Reason.BAD_JSON, why)
        return None
    return document


def _reading(item: object, site: str, skid: str, refused: Tally) -> Reading | None:
    if not isinstance(item, dict):
        refused.add(Reason.BAD_SHAPE, f"{shown(item)} is no object with time and values")
        return None
    values, status = item.get("values"), item.get("status", {})
    if not isinstance(values, dict) or not isinstance(status, dict):
        refused.add(Reason.BAD_SHAPE, "'values' and 'status' are objects of tag and value")
        return None
    points = max(1, len(values))
    if (version := item.get("v", VERSION)) != VERSION:
        refused.add(Reason.BAD_SHAPE, f"'v' is {shown(version)}, this program reads version {VERSION}", points)
        return None
    if "time" not in item:
        refused.add(Reason.BAD_TIME, "there is no 'time'", points)
        return None
    try:
        time_us = wire_time(item["time"])
    except ValueError as error:
        refused.add(Reason.BAD_TIME, f"'time' is {shown(item['time'])}: {error}", points)
        return None
    return Reading(site, skid, time_us, values, status)


PLUGIN: Final = JsonSamples()
