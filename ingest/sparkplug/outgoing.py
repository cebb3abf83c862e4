"""All that ingest ever publishes: a host's STATE, and the request for an edge node's births.

Nothing else in ingest may publish; a test reads the source for it. Either can be switched off.
"""

from __future__ import annotations

from typing import Final

import orjson
import paho.mqtt.client as mqtt
import structlog

from ingest.sparkplug.settings import SparkplugSettings
from skidhand.clock import WallClock
from skidhand.model.samples import micros
from skidhand.sparkplug.wire import Kind, Topic, rebirth_command, state_topic

FAREWELL_S: Final = 2.0
STATE_QOS: Final = 1
COMMAND_QOS: Final = 0

log = structlog.get_logger(__name__)


class Outgoing:
    """Speaks through the client that it was last handed."""

    def __init__(self, settings: SparkplugSettings) -> None:
        self._settings = settings
        self._topic = state_topic(settings.host_id)
        self._client: mqtt.Client | None = None
        self._since_ms = 0

    def connecting(self, client: mqtt.Client) -> None:
        """Leave the will with the broker that says we are gone [host-topic-phid-death-payload].

        The birth that follows carries the same time [host-topic-phid-birth-payload-timestamp].
        """
        self._client, self._since_ms = client, micros(WallClock().now()) // 1000
        if self._settings.state:
            client.will_set(self._topic, self._state(online=False), qos=STATE_QOS, retain=True)

    def listening(self, client: mqtt.Client) -> None:
        """Say that we are here, after subscribing [message-flow-phid-sparkplug-state-publish]."""
        if self._settings.state:
            client.publish(self._topic, self._state(online=True), qos=STATE_QOS, retain=True)

    def heard_state(self, topic: str, payload: bytes) -> None:
        """Contradict whoever says that we are gone, unless it is a will from before our birth.

        Such a one every gateway passes over by its time, as the specification asks
        [operational-behavior-edge-node-termination-host-offline-timestamp].
        """
        client = self._client
        if topic != self._topic or client is None or not client.is_connected():
            return
        try:
            said = orjson.loads(payload)
            wrong = said["online"] is not True and said["timestamp"] >= self._since_ms
        except (ValueError, TypeError, KeyError):
            wrong = True
        if wrong:
            self.listening(client)

    def leaving(self) -> None:
        """Say that we go, before an orderly disconnect, which drops the will."""
        client = self._client
        if self._settings.state and client is not None and client.is_connected():
            self._since_ms = micros(WallClock().now()) // 1000
            handle = client.publish(self._topic, self._state(online=False), qos=STATE_QOS, retain=True)
            handle.wait_for_publish(FAREWELL_S)

    def request_rebirth(self, group: str, edge: str) -> None:
        """Ask for the births anew [operational-behavior-data-commands-rebirth-action-1]."""
        client = self._client
        if self._settings.rebirth and client is not None and client.is_connected():
            topic = str(Topic(group, Kind.NCMD, edge))
            client.publish(topic, rebirth_command(), qos=COMMAND_QOS, retain=False)

    def _state(self, *, online: bool) -> bytes:
        return orjson.dumps({"online": online, "timestamp": self._since_ms})
