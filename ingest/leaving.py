"""The connection of a worker that is taken away for good: nothing new, all that the broker kept, and an end.

MQTT does not tell how much a session still holds. But a broker works off a connection's packets in order:
when all that came is acknowledged, and a request sent after that is answered with nothing in between, then
there was nothing left.
"""

from __future__ import annotations

import threading
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from ingest.broker import make_client
from ingest.receiver import Receiver
from skidhand.errors import BrokerError

ANSWER_S: Final = 10.0


class LeavingReceiver(Receiver):
    """Takes up the worker's session, gives its subscriptions back, and takes what is still sent."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**given)
        self._client_id = self._settings.client_id or str(given["client_id"])
        self._client.on_unsubscribe = self._on_unsubscribe
        self._answered = threading.Event()
        self.gives_back: tuple[str, ...] = self.subscriptions
        self.had_session = False
        self.arrived = 0

    def ask(self, client: mqtt.Client) -> None:
        """In place of subscribing."""
        client.unsubscribe(list(self.gives_back))

    def is_empty(self) -> bool:
        """Whether the broker, when asked again, sends nothing first; once all that came is acknowledged."""
        before = self.arrived
        self._answered.clear()
        self.ask(self._client)
        return self._answered.wait(ANSWER_S) and self.arrived == before

    def end_session(self) -> None:
        """Leave, so that the broker forgets the session. BrokerError when it cannot be told."""
        five = self._settings.protocol == "5"
        properties = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 0
        self._paused = True
        if not self._client.is_connected():
            raise BrokerError(f"{self.where}: {self.trouble or 'connection lost'}")
        self._client.disconnect(ReasonCode(PacketTypes.DISCONNECT), properties) if five else self._client.disconnect()
        self._client.loop_stop()
        self._inbox.close()
        if not five:
            self._begin_clean()

    def _begin_clean(self) -> None:
        """MQTT 3.1.1: only a new, clean connection of that name ends what it had."""
        client = make_client(self._settings, self._client_id, clean=True)
        up = threading.Event()
        client.on_connect = lambda *_: up.set()
        client.loop_start()
        try:
            if not up.wait(ANSWER_S):
                raise BrokerError(f"{self.where}: the session of {self._client_id} could not be ended")
        finally:
            client.disconnect()
            client.loop_stop()

    def _on_connect(self, client: mqtt.Client, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        self.had_session = self.had_session or flags.session_present
        super()._on_connect(client, data, flags, reason, properties)

    def _on_unsubscribe(self, *_: Any) -> None:
        self.trouble = ""
        self._backoff.reset()
        self._subscribed.set()
        self._answered.set()

    def _on_message(self, client: mqtt.Client, data: Any, incoming: mqtt.MQTTMessage) -> None:
        self.arrived += 1
        super()._on_message(client, data, incoming)
