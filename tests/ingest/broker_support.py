"""A publisher of numbered messages, and services with what they need."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable

import orjson
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from ingest.broker import BrokerSettings
from ingest.service import IngestService
from tests.ingest.support import FLEET, NOON_US, TOPIC
from tests.support.mosquitto import shipped_lines


def lasting_lines() -> list[str]:
    """The configuration as we ship it, but saved at the broker's end only: quick, and good unless it is killed."""
    return ["autosave_on_changes false" if "on_changes" in line else line for line in shipped_lines()]


class Publisher:
    """A gateway: connected to ``server`` until :meth:`close`, QoS 1, keeps what is not confirmed."""

    def __init__(self, server) -> None:
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.max_inflight_messages_set(100)
        up = threading.Event()
        self._client.on_connect = lambda *_: up.set()
        self._client.reconnect_delay_set(1, 1)
        self._client.connect(server.host, server.port)
        self._client.loop_start()
        assert up.wait(10), "no CONNACK"

    def send(self, payload: bytes, topic: str = TOPIC):
        """Publish, once connected; the handle that tells when the broker has confirmed it."""
        for _ in range(3000):
            if self._client.is_connected():
                break
            time.sleep(0.01)
        return self._client.publish(topic, payload, qos=1)

    def number(self, number: int):
        """Publish the numbered message: two values at its own second."""
        return self.send(numbered(number))

    def numbers(self, numbers: Iterable[int]) -> None:
        """Publish numbered messages; returns when the broker has confirmed all."""
        for handle in [self.number(number) for number in numbers]:
            handle.wait_for_publish(30)

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()


def numbered(number: int) -> bytes:
    """The payload of message ``number``."""
    values = {"PDT-301": number, "FT-201": number % 80}
    return orjson.dumps({"time": NOON_US // 1000 + number * 1000, "values": values})


def service_of(server, folder, store, *, broker=None, **more) -> IngestService:
    """A service on ``server`` that lives in ``folder``; quick to drain."""
    settings = {"spool_path": folder / "spool.db", "logbook": str(folder / "book.db"), "fleet": FLEET} | more
    return IngestService(
        broker=BrokerSettings(host=server.host, port=server.port, **(broker or {})),
        store=store,
        drain_interval_s=0.05,
        **settings,
    )
