"""Publishes samples over MQTT with QoS 1, each message complete in itself: plain JSON or SenML."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, Protocol

import orjson
import pyarrow as pa

from simulator.connection import Connection
from simulator.payload import PAYLOADS, SiteOf, messages
from skidhand.clock import CLOCK_TOPIC


class Feed(Protocol):
    """What samples are given to; :class:`Publisher` and Sparkplug's gateways."""

    def publish(self, samples: pa.Table, site_of: SiteOf, names: Mapping[str, str] | None = None) -> int:
        """Send ``samples``; the number of messages."""
        ...

    def announce(self, now: datetime) -> None:
        """Tell stream clocks that it is ``now``."""
        ...

    def flush(self) -> None:
        """Wait until the broker has everything."""
        ...


class Publisher(Connection):
    """One connection for all skids. ``payload``: one of PAYLOADS; the rest as for :class:`Connection`."""

    def __init__(
        self, host: str, port: int, *, payload: str = "json", points_per_message: int = 10, **connection: Any
    ) -> None:
        if points_per_message < 1:
            raise ValueError("points_per_message must be at least 1")
        if payload not in PAYLOADS:
            raise ValueError(f"payload {payload!r} is unknown; valid: {', '.join(PAYLOADS)}")
        super().__init__(host, port, **connection)
        self._payload, self._points = PAYLOADS[payload], points_per_message
        self.samples_sent = 0
        self.messages_sent = 0

    def publish(self, samples: pa.Table, site_of: SiteOf, names: Mapping[str, str] | None = None) -> int:
        """Send ``samples`` (schema SAMPLES) in the order of the rows; gives the number of messages.

        Returns when the last is handed over, not when it is acknowledged: see :meth:`flush`. ``names``
        gives the name on the wire of series that have another one than their tag.
        """
        count = 0
        for message in messages(samples, site_of, points_per_message=self._points, names=names, payload=self._payload):
            self.send(message.topic, message.payload)
            self.samples_sent += message.samples
            count += 1
        self.messages_sent += count
        return count

    def announce(self, now: datetime) -> None:
        """Tell stream clocks that it is ``now`` (aware); never retained, receivers keep the highest."""
        text = now.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
        self.send(CLOCK_TOPIC, orjson.dumps({"now": text}))
