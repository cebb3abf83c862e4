"""Two orders to keep: that of an edge node's sequence numbers, and that of our acknowledgements."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import Final, Generic, TypeVar

from ingest.inbox import Message
from skidhand.sparkplug.wire import SEQUENCES

MOST_HELD: Final = 100
"""A gap with so many messages behind it is not waited for any longer."""

T = TypeVar("T")


class Window(Generic[T]):
    """Gives messages back in the order of their sequence numbers, holding those that came too early.

    The specification asks a host to wait for what is missing, and to ask for a rebirth when it does not
    come in time [operational-behavior-host-reordering-start, -rebirth, -success].
    """

    def __init__(self, wait_s: float) -> None:
        self._wait_s = wait_s
        self._expected: int | None = None  # None: the next one that comes is right
        self._held: dict[int, list[T]] = {}
        self._since = 0.0

    def __len__(self) -> int:
        return sum(map(len, self._held.values()))

    def put(self, seq: int, item: T, now: float) -> list[T]:
        """What can be worked on now: nothing, ``item``, or ``item`` and those that waited for it."""
        if self._expected is None:
            self._expected = seq
        ahead = (seq - self._expected) % SEQUENCES
        if ahead >= SEQUENCES // 2:  # from before: one sent twice, or one that was no longer waited for
            return [item]
        if ahead:
            if not self._held:
                self._since = now
            self._held.setdefault(seq, []).append(item)
            return []
        ready = [item]
        self._expected = (seq + 1) % SEQUENCES
        while self._expected in self._held:
            ready += self._held.pop(self._expected)
            self._expected = (self._expected + 1) % SEQUENCES
        self._since = now
        return ready

    def overdue(self, now: float) -> bool:
        """True when what is missing has been waited for long enough."""
        return bool(self._held) and (now - self._since >= self._wait_s or len(self) > MOST_HELD)

    def give_up(self) -> list[T]:
        """All that is held, in order, as if nothing were missing."""
        first = self._expected or 0
        order = sorted(self._held, key=lambda seq: (seq - first) % SEQUENCES)
        ready = [item for seq in order for item in self._held[seq]]
        if order:
            self._expected = (order[-1] + 1) % SEQUENCES
        self._held.clear()
        return ready

    def restart(self, seq: int | None) -> list[T]:
        """Count from after ``seq``, a node birth's, or from whatever comes next; gives what was held."""
        left = self.give_up()
        self._expected = None if seq is None else (seq + 1) % SEQUENCES
        return left


class InOrder:
    """Messages in the order in which they came, though they are done in another.

    MQTT wants acknowledgements in that order (MQTT 5.0, section 4.6), so one that waits holds up the rest.
    """

    def __init__(self) -> None:
        self._waiting: deque[Message] = deque()
        self._done: set[int] = set()  # id() of messages that are in ``_waiting``, which keeps them alive

    def came(self, item: Message) -> None:
        """``item`` has come."""
        self._waiting.append(item)

    def done(self, items: Iterable[Message]) -> list[Message]:
        """``items`` are done; gives those that no message that came earlier stands before any longer."""
        self._done.update(map(id, items))
        free = []
        while self._waiting and id(self._waiting[0]) in self._done:
            free.append(self._waiting.popleft())
            self._done.remove(id(free[-1]))
        return free
