"""How often somebody may try: what keeps a code of four digits from being guessed, and a stuck phone from flooding."""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Callable
from typing import Final

KNOWN: Final = 10_000
"""Names that are remembered; those not heard of for longest are forgotten first, so memory stays bounded."""


class Limit:
    """At most ``most`` events of one name within ``seconds``, by ``now`` (a monotonic clock in seconds)."""

    def __init__(self, most: int, seconds: float, now: Callable[[], float]) -> None:
        self._most = most
        self._seconds = seconds
        self._now = now
        self._events: OrderedDict[str, deque[float]] = OrderedDict()

    def reached(self, name: str) -> bool:
        """True when ``name`` has had its share."""
        events = self._events.get(name)
        while events and events[0] <= self._now() - self._seconds:
            events.popleft()
        return events is not None and len(events) >= self._most

    def count(self, name: str) -> None:
        """One more event of ``name``."""
        self._events.setdefault(name, deque(maxlen=self._most)).append(self._now())
        self._events.move_to_end(name)
        while len(self._events) > KNOWN:
            self._events.popitem(last=False)
