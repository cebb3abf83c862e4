"""paho's client with fewer calls to the system for each message: what has arrived is read in one piece.

paho reads a packet in four pieces and waits for the next one by ``select``. Each of these calls hands the
interpreter to another thread and waits to have it back: under load that takes longer than the work.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTErrorCode, MQTTProtocolVersion

READ_AHEAD: Final = 2**16
BURST: Final = 200
"""Packets that are worked off before what is to be sent gets its turn."""


class ReadAhead:
    """A socket that does not block, read in large pieces and given on in small ones. All else is the socket's."""

    def __init__(self, inner: Any) -> None:
        self._inner = inner
        self._read, self._at = b"", 0
        self.fileno, self.send = inner.fileno, inner.send

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)

    def recv(self, size: int) -> bytes:
        """As a socket's."""
        end = self._at + size
        if self._at == len(self._read):
            if size > READ_AHEAD:
                return bytes(self._inner.recv(size))
            self._read, self._at, end = self._inner.recv(READ_AHEAD), 0, size
        piece = self._read[self._at : end]
        self._at += len(piece)
        return piece

    def pending(self) -> int:
        """Bytes that were read and not given on, for which ``select`` would wait in vain; as an SSL socket's."""
        inner = self._inner.pending() if hasattr(self._inner, "pending") else 0
        return len(self._read) - self._at + int(inner)


class Client(mqtt.Client):
    """paho's client, which also remembers why it could not connect, and tells when its thread dies of anything else."""

    on_crash: Callable[[Exception], None]
    connecting: Callable[[mqtt.Client], None]
    last_error = ""

    def reconnect(self) -> MQTTErrorCode:
        """As paho's."""
        self.connecting(self)
        try:
            return super().reconnect()
        except OSError as error:  # paho swallows it; a certificate that is not trusted is one too
            self.last_error = str(error)
            raise

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        """As paho's, for what was read ahead as well."""
        for _ in range(BURST):
            rc = super().loop_read(max_packets)
            if rc or not isinstance(self._sock, ReadAhead) or not self._sock.pending():
                break
        return rc

    def _handle_publish(self) -> MQTTErrorCode:
        """As paho's, which in MQTT 5 lays out tables of all properties for every message: half of its time.

        Nearly no message has any. Where one has, where it is malformed, and for QoS 2, which has a handshake, paho does
        it. A message's time of arrival, which paho sets, and its empty properties are left out.
        """
        flags, body = self._in_packet["command"], self._in_packet["packet"]
        qos = flags >> 1 & 3
        topic_end = 2 + int.from_bytes(body[:2], "big")
        end = topic_end + (2 if qos else 0)  # of the packet id; one byte follows: the properties' length
        if self._protocol != MQTTProtocolVersion.MQTTv5 or qos > 1 or body[end : end + 1] != b"\x00":
            return super()._handle_publish()
        mid = int.from_bytes(body[topic_end:end], "big")
        message = mqtt.MQTTMessage(mid, bytes(body[2:topic_end]))
        message.dup, message.qos, message.retain = bool(flags & 8), qos, bool(flags & 1)
        message.payload = bytes(body[end + 1 :])
        self._handle_on_message(message)
        return MQTTErrorCode.MQTT_ERR_SUCCESS  # acknowledged later, by ack()

    def loop_forever(self, timeout: float = 1.0, retry_first_connection: bool = False) -> MQTTErrorCode:
        """As paho's."""
        try:
            return super().loop_forever(timeout, retry_first_connection)
        except Exception as error:  # whatever it is, without this thread nothing arrives any more
            self.on_crash(error)
            raise

    def _create_socket(self) -> Any:
        return ReadAhead(super()._create_socket())
