"""A publisher's connection to a broker: never more in flight than allowed, and nothing lost in silence."""

from __future__ import annotations

import threading
import uuid
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from skidhand.errors import BrokerError


class Connection:
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
        timeout_s: float = 30.0,
    ) -> None:
        if max_in_flight < 1:
            raise ValueError("max_in_flight must be at least 1")
        self._where = f"{host}:{port}"
        self._host, self._port = host, port
        self._timeout = timeout_s
        self._limit = max_in_flight
        self._in_flight = 0
        self._change = threading.Condition()
        self._connected = False
        self._refused: str | None = None
        self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id or f"skidhand-publisher-{uuid.uuid4().hex[:12]}",
            protocol=mqtt.MQTTv311,
        )
        if username is not None:
            self.client.username_pw_set(username, password)
        files = (ca_file, cert_file, key_file)
        if tls or any(files):
            self._secure(files)
        self.client.max_inflight_messages_set(max_in_flight)
        self.client.reconnect_delay_set(min_delay=1, max_delay=10)
        self.client.on_connect = self._on_connect
        self.client.on_disconnect = self._on_disconnect
        self.client.on_publish = self._on_publish

    def __enter__(self) -> Self:
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
            self.client.connect(self._host, self._port, keepalive=30)
        except (OSError, ValueError) as error:
            raise BrokerError(f"cannot reach the MQTT broker at {self._where}: {error}") from error
        self.client.loop_start()
        with self._change:
            answered = self._change.wait_for(lambda: self._connected or self._refused, self._timeout)
        if self._refused or not answered:
            self.close()
            raise BrokerError(f"the MQTT broker at {self._where} did not accept us: {self._refused or 'no answer'}")

    def send(self, topic: str, payload: bytes, *, qos: int = 1) -> None:
        """Hand over one message; waits while too many are in flight."""
        self.wait_for_room()
        self.hand_over(topic, payload, qos=qos)

    def wait_for_room(self) -> None:
        """Return when one message more may be in flight."""
        with self._change:
            self._wait_below(self._limit)

    def wait_connected(self) -> None:
        """Return when the connection stands: what goes with QoS 0 is kept for nobody."""
        with self._change:
            if not self._change.wait_for(lambda: self._connected, self._timeout):
                raise BrokerError(f"the MQTT broker at {self._where} has been away for {self._timeout:g} s")

    def hand_over(self, topic: str, payload: bytes, *, qos: int) -> None:
        """Hand over one message without waiting; also for the network's thread."""
        with self._change:
            self._in_flight += 1
        # MQTT_ERR_NO_CONN is no failure here: paho keeps the message and sends it when it is back.
        result = self.client.publish(topic, payload, qos=qos)
        if result.rc not in (mqtt.MQTT_ERR_SUCCESS, mqtt.MQTT_ERR_NO_CONN):
            raise BrokerError(f"cannot publish to {self._where}: {mqtt.error_string(result.rc)}")
        if qos == 0 and result.rc == mqtt.MQTT_ERR_NO_CONN:
            self._landed()  # nobody will tell of it

    def flush(self) -> None:
        """Wait until the broker has acknowledged everything; the time-out starts anew with each answer."""
        with self._change:
            self._wait_below(1)

    def close(self) -> None:
        """Disconnect; what is not acknowledged by now may be lost."""
        self.client.disconnect()
        self.client.loop_stop()

    def _secure(self, files: tuple[Path | str | None, Path | str | None, Path | str | None]) -> None:
        ca, cert, key = (None if file is None else str(file) for file in files)
        try:
            self.client.tls_set(ca_certs=ca, certfile=cert, keyfile=key)
        except (OSError, ValueError) as error:
            shown = ", ".join(str(file) for file in files if file is not None)
            raise BrokerError(f"cannot set up TLS with the certificates in {shown}: {error}") from error

    def _wait_below(self, limit: int) -> None:
        """Wait, holding the condition, until fewer than ``limit`` messages are in flight."""
        while self._in_flight >= limit:
            before = self._in_flight
            if not self._change.wait(self._timeout) and self._in_flight == before:
                raise BrokerError(
                    f"the MQTT broker at {self._where} has not acknowledged {before} messages for {self._timeout:g} s"
                )

    def _on_connect(self, client: mqtt.Client, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        del data, flags, properties
        if not reason.is_failure:
            self.greet(client)
        with self._change:
            self._connected = not reason.is_failure
            self._refused = str(reason) if reason.is_failure else None
            self._change.notify_all()

    def greet(self, client: mqtt.Client) -> None:
        """What is to be done on each connection before anything is sent; on the network's thread."""

    def _on_disconnect(self, client: mqtt.Client, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        del client, data, flags, reason, properties
        with self._change:
            self._connected = False

    def _on_publish(self, client: mqtt.Client, data: Any, mid: int, reason: Any, properties: Any) -> None:
        del client, data, mid, reason, properties
        self._landed()

    def _landed(self) -> None:
        with self._change:
            self._in_flight -= 1
            self._change.notify_all()
