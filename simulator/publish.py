"""Publishes samples over MQTT with QoS 1, never more in flight than allowed."""

from __future__ import annotations

import threading
import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any

import orjson
import paho.mqtt.client as mqtt
import pyarrow as pa
from paho.mqtt.enums import CallbackAPIVersion

from simulator.payload import SiteOf, messages
from skidhand.clock import CLOCK_TOPIC
from skidhand.errors import BrokerError

QOS = 1


class Publisher:
    """A connection to one broker; use it as a context manager.

    Raises BrokerError when the broker cannot be reached, refuses, or leaves messages unacknowledged for
    ``timeout_s``. A broken connection is taken up again by itself and what was in flight is sent again.
    """

    def __init__(
        self,
        host: str,
        port: int,
        *,
        username: str | None = None,
        password: str | None = None,
        tls: bool = False,
        ca_file: Path | str | None = None,
        cert_file: Path | str | None = None,
        key_file: Path | str | None = None,
        client_id: str | None = None,
        max_in_flight: int = 100,
        points_per_message: int = 10,
        timeout_s: float = 30.0,
    ) -> None:
        if max_in_flight < 1 or points_per_message < 1:
            raise ValueError("max_in_flight and points_per_message must be at least 1")
        self._where = f"{host}:{port}"
        self._host, self._port = host, port
        self._timeout = timeout_s
        self._limit = max_in_flight
        self._points = points_per_message
        self._in_flight = 0
        self._change = threading.Condition()
        self._connected = False
        self._refused: str | None = None
        self.samples_sent = 0
        self.messages_sent = 0
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id or f"skidhand-publisher-{uuid.uuid4().hex[:12]}",
            protocol=mqtt.MQTTv311,
        )
        if username is not None:
            self._client.username_pw_set(username, password)
        files = (ca_file, cert_file, key_file)
        if tls or any(files):
            self._secure(files)
        self._client.max_inflight_messages_set(max_in_flight)
        self._client.reconnect_delay_set(min_delay=1, max_delay=10)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_publish = self._on_publish

    def __enter__(self) -> Publisher:
        self.connect()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is None:
                self.flush()
        finally:
            self.close()

    def connect(self) -> None:
        """Connect and wait until the broker has accepted."""
        try:
            self._client.connect(self._host, self._port, keepalive=30)
        except (OSError, ValueError) as error:
            raise BrokerError(f"cannot reach the MQTT broker at {self._where}: {error}") from error
        self._client.loop_start()
        with self._change:
            answered = self._change.wait_for(lambda: self._connected or self._refused, self._timeout)
        if self._refused or not answered:
            self.close()
            raise BrokerError(f"the MQTT broker at {self._where} did not accept us: {self._refused or 'no answer'}")

    def publish(self, samples: pa.Table, site_of: SiteOf, names: Mapping[str, str] | None = None) -> int:
        """Send ``samples`` (schema SAMPLES) in the order of the rows; gives the number of messages.

        Returns when the last is handed over, not when it is acknowledged: see :meth:`flush`. ``names``
        gives the name on the wire of series that have another one than their tag.
        """
        count = 0
        for message in messages(samples, site_of, points_per_message=self._points, names=names):
            self._send(message.topic, message.payload)
            self.samples_sent += message.samples
            count += 1
        self.messages_sent += count
        return count

    def announce(self, now: datetime) -> None:
        """Tell stream clocks that it is ``now`` (aware); never retained, receivers keep the highest."""
        text = now.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
        self._send(CLOCK_TOPIC, orjson.dumps({"now": text}))

    def flush(self) -> None:
        """Wait until the broker has acknowledged everything; the time-out starts anew with each answer."""
        with self._change:
            self._wait_below(1)

    def close(self) -> None:
        """Disconnect; what is not acknowledged by now may be lost."""
        self._client.disconnect()
        self._client.loop_stop()

    def _secure(self, files: tuple[Path | str | None, Path | str | None, Path | str | None]) -> None:
        ca, cert, key = (None if file is None else str(file) for file in files)
        try:
            self._client.tls_set(ca_certs=ca, certfile=cert, keyfile=key)
        except (OSError, ValueError) as error:
            shown = ", ".join(str(file) for file in files if file is not None)
            raise BrokerError(f"cannot set up TLS with the certificates in {shown}: {error}") from error

    def _send(self, topic: str, payload: bytes) -> None:
        with self._change:
            self._wait_below(self._limit)
            self._in_flight += 1
        # MQTT_ERR_NO_CONN is no failure here: paho keeps the message and sends it when it is back.
        result = self._client.publish(topic, payload, qos=QOS)
        if result.rc not in (mqtt.MQTT_ERR_SUCCESS, mqtt.MQTT_ERR_NO_CONN):
            raise BrokerError(f"cannot publish to {self._where}: {mqtt.error_string(result.rc)}")

    def _wait_below(self, limit: int) -> None:
        """Wait, holding the condition, until fewer than ``limit`` messages are in flight."""
        while self._in_flight >= limit:
            before = self._in_flight
            if not self._change.wait(self._timeout) and self._in_flight == before:
                raise BrokerError(
                    f"the MQTT broker at {self._where} has not acknowledged {before} messages for {self._timeout:g} s"
                )

    def _on_connect(self, client: mqtt.Client, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        del client, data, flags, properties
        with self._change:
            self._connected = not reason.is_failure
            self._refused = str(reason) if reason.is_failure else None
            self._change.notify_all()

    def _on_disconnect(self, client: mqtt.Client, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        del client, data, flags, reason, properties
        with self._change:
            self._connected = False

    def _on_publish(self, client: mqtt.Client, data: Any, mid: int, reason: Any, properties: Any) -> None:
        del client, data, mid, reason, properties
        with self._change:
            self._in_flight -= 1
            self._change.notify_all()
