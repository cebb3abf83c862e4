"""The bounded queue between the network and the worker: when it is full, the network waits."""

from __future__ import annotations

import threading
from collections import deque
from typing import Final, NamedTuple

MAX_PAYLOAD: Final = 1_000_000
EXCERPT_BYTES: Final = 200


class Message(NamedTuple):
    """One message as received. Of a payload over MAX_PAYLOAD only an excerpt is kept; ``size`` tells all."""

    topic: str
    payload: bytes
    size: int
    at_us: int  # wall time of receipt, microseconds
    mid: int = 0
    qos: int = 0
    connection: int = 0  # acknowledgements count only on the connection that brought the message


def message(topic: str, payload: bytes, at_us: int, *, mid: int = 0, qos: int = 0, connection: int = 0) -> Message:
    """A Message, cut if it is too large, so that what waits is bounded."""
    kept = payload if len(payload) <= MAX_PAYLOAD else payload[:EXCERPT_BYTES]
    return Message(topic, kept, len(payload), at_us, mid, qos, connection)


class Inbox:
    """At most ``max_messages`` wait, and at most ``max_bytes`` and one message more.

    A broker that keeps to our receive maximum never meets these limits; for one that does not
    (mosquitto 2.0.11 sends beyond it) the network waits here, and with it the broker.
    """

    def __init__(self, max_messages: int = 1000, max_bytes: int = 64 * 2**20) -> None:
        self._max_messages, self._max_bytes = max_messages, max_bytes
        self._waiting: deque[Message] = deque()
        self._bytes = 0
        self._taken = 0
        self._taken_us: int | None = None
        self._closed = False
        self._enough = 1  # messages for which the one who takes is woken: not for each
        self._changed = threading.Condition()

    def put(self, item: Message) -> bool:
        """Queue it; waits while the inbox is full. False once the inbox is closed."""
        with self._changed:
            self._changed.wait_for(lambda: self._closed or self._has_room())
            if self._closed:
                return False
            self._waiting.append(item)
            self._bytes += len(item.payload)
            if len(self._waiting) >= self._enough:
                self._changed.notify_all()
            return True

    def _has_room(self) -> bool:
        return len(self._waiting) < self._max_messages and self._bytes < self._max_bytes

    def take(self, most: int, *, wait_s: float, linger_s: float = 0.0) -> list[Message]:
        """Up to ``most`` messages and 16 MB, empty after ``wait_s`` without any.

        ``linger_s``: after the first, how long to wait for more, so that a slow stream needs fewer syncs.
        """
        with self._changed:
            self._enough = 1
            if not self._changed.wait_for(lambda: self._waiting, wait_s):
                return []
            self._enough = most
            if linger_s and len(self._waiting) < most:
                self._changed.wait_for(lambda: len(self._waiting) >= most or self._closed, linger_s)
            batch: list[Message] = []
            size = 0
            while self._waiting and len(batch) < most and size < 2**24:
                batch.append(self._waiting.popleft())
                size += len(batch[-1].payload)
            self._bytes -= size
            self._taken, self._taken_us = len(batch), batch[0].at_us
            self._changed.notify_all()
            return batch

    def done(self) -> None:
        """The batch last taken is worked off."""
        with self._changed:
            self._taken, self._taken_us = 0, None

    def close(self) -> None:
        """Take no more; what waits can still be taken."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def oldest_us(self) -> int | None:
        """Receive time of the oldest message that is not on the disk and acknowledged yet, or None."""
        with self._changed:
            waiting = self._waiting[0].at_us if self._waiting else None
            return waiting if self._taken_us is None else self._taken_us

    def __len__(self) -> int:
        """Messages that wait or are being worked on."""
        return len(self._waiting) + self._taken
