"""JSON as senders write it, for the formats that are made of it.

JSON is RFC 8259; NaN and Infinity are not JSON, but many senders write them, so a text that holds them is
read all the same and only those values are refused. Of repeated keys in one object the last counts, as
RFC 8259 (section 4) says of most readers.
"""

from __future__ import annotations

import json

import orjson

from ingest.reasons import Reason, Tally


def parse_json(payload: bytes, refused: Tally) -> object | None:
    """What the text holds; None when it cannot be read or is null, and then that is in ``refused``."""
    try:
        document: object = orjson.loads(payload)
    except orjson.JSONDecodeError as strict:
        return _parse_leniently(payload, str(strict), refused)
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
