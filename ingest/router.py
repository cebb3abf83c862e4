"""Brings each message to the payload format that takes its topic."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Final

import structlog
from paho.mqtt.client import topic_matches_sub

from ingest.formats.base import Decoded, Format
from ingest.inbox import MAX_PAYLOAD, Message
from ingest.reasons import Reason, shown
from skidhand import plugins

MAX_POINTS: Final = 10_000

log = structlog.get_logger(__name__)


def found_formats() -> dict[str, Format]:
    """Every payload format, built in or from outside, by name."""
    return {name: plugin.member for name, plugin in plugins.load("format").items()}


class Router:
    """Decodes messages with ``formats``; what no format can read comes back as refused."""

    def __init__(self, formats: Mapping[str, Format]) -> None:
        self._formats = dict(formats)
        self._find = lru_cache(maxsize=4096)(self._match)

    @property
    def filters(self) -> tuple[str, ...]:
        """The topic filters to subscribe to, save those of formats whose order matters."""
        free = [member for member in self._formats.values() if not getattr(member, "ordered", False)]
        return tuple(sorted({topic for member in free for topic in member.topics}))

    def _match(self, topic: str) -> Format | None:
        for member in self._formats.values():
            if any(topic_matches_sub(taken, topic) for taken in member.topics):
                return member
        return None

    def decode(self, message: Message) -> Decoded:
        """The readings of one message; never raises."""
        if message.size > MAX_PAYLOAD:
            return _refused(Reason.TOO_LARGE, f"{message.size:,} bytes, at most {MAX_PAYLOAD:,}")
        member = self._find(message.topic)
        if member is None:
            return _refused(Reason.BAD_TOPIC, f"topic {shown(message.topic)}")
        try:
            decoded = member.decode(message.topic, message.payload)
        except Exception as error:  # a format may be anybody's: one message must not stop all others
            log.exception("payload format failed", format=member.name, topic=message.topic)
            return _refused(Reason.FORMAT_FAILED, f"{member.name}: {type(error).__name__}")
        points = sum(len(reading.values) for reading in decoded.readings) + decoded.refused.total
        points += len(decoded.packet.metrics) if decoded.packet is not None else 0
        if points > MAX_POINTS:
            return _refused(Reason.TOO_MANY_POINTS, f"{points:,} values, at most {MAX_POINTS:,}", points)
        return decoded


def _refused(reason: Reason, detail: str, count: int = 1) -> Decoded:
    refused = Decoded()
    refused.refused.add(reason, detail, count)
    return refused
