"""The threads of a service: none dies in silence, and what ended one ends all."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Final

import structlog

from skidhand.clock import monotonic
from skidhand.errors import SkidhandError

POLL_S: Final = 0.02

log = structlog.get_logger(__name__)


class Threads:
    """Runs named pieces of work; ``stop`` is set when one fails, and ``failure`` tells why."""

    def __init__(self, stop: threading.Event) -> None:
        self._stop = stop
        self._running: dict[str, threading.Thread] = {}
        self.failure: BaseException | None = None

    def run(self, name: str, work: Callable[[], None]) -> None:
        """Start ``work`` in a thread of its own."""

        def guarded() -> None:
            try:
                work()
            except Exception as error:  # noqa: BLE001 - a thread that died in silence would look like a quiet day
                self.fail(error)

        self._running[name] = threading.Thread(target=guarded, name=f"ingest-{name}", daemon=True)
        self._running[name].start()

    def fail(self, error: BaseException) -> None:
        """Going on is impossible."""
        log.error("ingest cannot go on", reason=str(error), exc_info=not isinstance(error, SkidhandError))
        self.failure = self.failure or error
        self._stop.set()

    def __contains__(self, name: str) -> bool:
        return name in self._running

    def join(self, name: str, deadline: float) -> None:
        """Wait for its end, up to ``deadline`` (monotonic)."""
        if name in self._running:
            self._running[name].join(max(0.0, deadline - monotonic()))

    def wait(self, done: Callable[[], bool], deadline: float) -> bool:
        """True once ``done()``; False at ``deadline`` (monotonic) or a failure."""
        while not (reached := done()) and self.failure is None and monotonic() < deadline:
            time.sleep(POLL_S)
        return reached
