"""How often a sign-in may fail. Kept in this process: a restart forgets it."""

from __future__ import annotations

import threading
from collections import deque
from typing import Final

from skidhand.clock import monotonic

WINDOW_S: Final = 900.0
PER_NAME: Final = 5
PER_CLIENT: Final = 20
"""Failures within the window after which a name, or an address, has to wait: common practice, no source."""


class SignInLimit:
    """Counts failures by name and by address."""

    def __init__(self) -> None:
        self._failures: dict[str, deque[float]] = {}
        self._lock = threading.Lock()

    def wait_s(self, name: str, client: str) -> float:
        """Seconds until this name may be tried from this address; 0 for now."""
        with self._lock:
            return max(self._wait(f"name {name}", PER_NAME), self._wait(f"client {client}", PER_CLIENT))

    def failed(self, name: str, client: str) -> None:
        """Count a failure."""
        with self._lock:
            for key in (f"name {name}", f"client {client}"):
                self._failures.setdefault(key, deque(maxlen=PER_CLIENT)).append(monotonic())
            if len(self._failures) > 10_000:  # somebody tries names by the thousand: the oldest are let go
                del self._failures[next(iter(self._failures))]

    def succeeded(self, name: str) -> None:
        """A right password clears the name, never the address."""
        with self._lock:
            self._failures.pop(f"name {name}", None)

    def _wait(self, key: str, limit: int) -> float:
        times = self._failures.get(key)
        while times and times[0] <= monotonic() - WINDOW_S:
            times.popleft()
        if not times or len(times) < limit:
            return 0.0
        return times[-limit] + WINDOW_S - monotonic()
