"""The connection to the broker. The network's callback only queues; acknowledging comes after the spool."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Sequence
from typing import Any

import paho.mqtt.client as mqtt
import structlog

from ingest.backoff import Backoff
from ingest.broker import BrokerSettings, make_client
from ingest.client import Client
from ingest.inbox import Inbox, Message, message
from skidhand.clock import WallClock
from skidhand.errors import BrokerError
from skidhand.model.samples import micros

log = structlog.get_logger(__name__)


def _nothing(_client: mqtt.Client) -> None:
    pass


class Receiver:
    """Keeps a session with the broker and puts what arrives on ``filters`` into ``inbox``.

    ``shared_filters`` are taken through ``settings.group``, if there is one; ``own_filters`` never are.
    Connects in the background, again and again with growing delays. ``on_crash`` hears of a defect that
    ended the network thread; ``connecting`` is called before each try, ``listening`` after each subscription.
    """

    _connections = itertools.count(1)  # over all receivers: a message's connection tells whose it is

    def __init__(
        self,
        *,
        settings: BrokerSettings,
        client_id: str,
        inbox: Inbox,
        shared_filters: Sequence[str],
        own_filters: Sequence[str] = (),
        on_crash: Callable[[Exception], None],
        connecting: Callable[[mqtt.Client], None] = _nothing,
        listening: Callable[[mqtt.Client], None] = _nothing,
    ) -> None:
        group = f"$share/{settings.group}/" if settings.group else ""
        self._filters = [(group + name, 1) for name in shared_filters] + [(name, 1) for name in own_filters]
        self._inbox, self._settings = inbox, settings
        client = make_client(settings, settings.client_id or client_id, Client)
        assert isinstance(client, Client)
        self._client = client
        self._client.on_crash, self._client.connecting = on_crash, connecting
        self._listening = listening
        self._client.on_connect = self._on_connect
        self._client.on_connect_fail = self._on_connect_fail
        self._client.on_disconnect = self._on_disconnect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message
        self._backoff = Backoff(0.5, 30.0)
        self._connection = 0
        self._connection_lock = threading.Lock()
        self._paused = False
        self._refusal = ""  # what the broker has refused on this connection
        self._subscribed = threading.Event()
        self.trouble = "not connected yet"  # why nothing arrives, empty when all is well

    @property
    def subscriptions(self) -> tuple[str, ...]:
        """The topic filters as the broker gets them."""
        return tuple(name for name, _ in self._filters)

    @property
    def where(self) -> str:
        """The broker's address, for messages."""
        return f"broker {self._settings.host}:{self._settings.port}"

    def start(self) -> None:
        """Begin to connect; returns at once."""
        self._wait_before_next_try()
        self._client.loop_start()

    def wait_subscribed(self, timeout: float) -> None:
        """Return once messages can arrive; BrokerError with the last reason if that takes longer than ``timeout``."""
        if not self._subscribed.wait(timeout):
            raise BrokerError(f"{self.where}: {self.trouble}")

    def acknowledge(self, messages: Sequence[Message]) -> None:
        """Acknowledge messages of the present connection; those of an earlier one come again by themselves.

        A packet id is only good on its own connection: after a broker has lost the session, the same id
        may stand for a message that we have not seen.
        """
        with self._connection_lock:
            for item in messages:
                if item.connection == self._connection:
                    self._client.ack(item.mid, item.qos)

    def pause(self) -> None:
        """Leave what still arrives unacknowledged: it comes again in the next session."""
        self._paused = True

    def stop(self) -> None:
        """Take nothing more, send what is to be acknowledged and leave; the broker keeps the session."""
        self._inbox.close()
        self.leave()

    def leave(self) -> None:
        """Send what is to be acknowledged and leave, while others go on with the inbox."""
        self._paused = True
        self._client.disconnect()
        self._client.loop_stop()

    # --- called by the network thread --------------------------------------------------------------

    def _on_connect(self, client: mqtt.Client, _data: Any, flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._refusal = f"connection refused: {reason}"
            self._trouble(self._refusal)
            return
        with self._connection_lock:
            self._connection = next(self._connections)
        log.info("connected", broker=self.where, session_present=flags.session_present)
        self.ask(client)

    def ask(self, client: mqtt.Client) -> None:
        """What is asked of the broker on each connection: to send what the filters name."""
        client.subscribe(list(self._filters))

    def _on_subscribe(self, client: mqtt.Client, _data: Any, _mid: int, reasons: list[Any], _properties: Any) -> None:
        refused = [name for (name, _), reason in zip(self._filters, reasons, strict=False) if reason.is_failure]
        if refused:
            self._refusal = f"subscription refused: {', '.join(refused)}"
            self._trouble(self._refusal)
            return
        self.trouble = ""
        self._backoff.reset()
        self._listening(client)
        self._subscribed.set()

    def _on_connect_fail(self, _client: mqtt.Client, _data: Any) -> None:
        self._trouble(f"cannot be reached: {self._client.last_error}")
        self._wait_before_next_try()

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        # From here on nothing is acknowledged that came before: see acknowledge().
        with self._connection_lock:
            self._connection = next(self._connections)
        self._subscribed.clear()
        if not self._paused:
            self._trouble(self._refusal or f"connection lost: {reason}")
            self._refusal = ""
            self._wait_before_next_try()

    def _on_message(self, _client: mqtt.Client, _data: Any, incoming: mqtt.MQTTMessage) -> None:
        if self._paused:
            return
        try:
            topic = incoming.topic
        except UnicodeDecodeError:
            topic = "(not UTF-8)"
        at_us = micros(WallClock().now())
        item = message(
            topic, bytes(incoming.payload), at_us, mid=incoming.mid, qos=incoming.qos, connection=self._connection
        )
        self._inbox.put(item)

    def _trouble(self, reason: str) -> None:
        if self.trouble != reason:
            log.warning("broker trouble", broker=self.where, reason=reason)
        self.trouble = reason

    def _wait_before_next_try(self) -> None:
        # paho doubles from the smaller to the larger; given one number it waits just that.
        delay = self._backoff.next()
        self._client.reconnect_delay_set(delay, delay)  # type: ignore[arg-type]  # it takes fractions too
