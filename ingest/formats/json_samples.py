"""Plain JSON: an object (or a list of objects) of one time and many values.

Topic ``skidhand/<site>/<skid>/samples``.
"""

from __future__ import annotations

from typing import Final

from ingest.formats.base import Decoded, Reading
from ingest.formats.json_text import parse_json
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
        document = parse_json(payload, decoded.refused)
        if document is None:
            return decoded
        for item in document if isinstance(document, list) else (document,):
            reading = _reading(item, site, skid, decoded.refused)
            if reading is not None:
                decoded.readings.append(reading)
        return decoded


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
