"""A sign of life that somebody outside watches: when it stays away, alerts itself is dead.

A file whose time is set anew, or an address that is called, after every round in which alerts did all its work.
What watches it must not share host, network or power with skidhand.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

import httpx
import structlog

from skidhand.clock import monotonic

EVERY_S: Final = 60.0
TIMEOUT_S: Final = 5.0

log = structlog.get_logger(__name__)


class DeadMan:
    """Gives a sign at most every ``every_s`` seconds; a failure is logged and stops nothing."""

    def __init__(self, file: Path | None = None, url: str | None = None, every_s: float = EVERY_S) -> None:
        self._file = file
        self._url = url
        self._every_s = every_s
        self._last: float | None = None

    def alive(self) -> None:
        """All is well now."""
        if self._last is not None and monotonic() - self._last < self._every_s:
            return
        self._last = monotonic()
        try:
            if self._file is not None:
                self._file.touch()
            if self._url is not None:
                httpx.get(self._url, timeout=TIMEOUT_S).raise_for_status()
        except (OSError, httpx.HTTPError, httpx.InvalidURL) as error:
            log.warning("the sign of life could not be given", why=f"{error.__class__.__name__}: {error}")
