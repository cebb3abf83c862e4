"""The logbook as ingest uses it: opened when first needed, and allowed to be away."""

from __future__ import annotations

import threading

from skidhand.clock import ClockKind
from skidhand.logbook import Logbook


class LogbookLink:
    """``target`` is an open logbook (which stays its owner's to close) or a URL, opened at first use."""

    def __init__(self, target: Logbook | str, kind: ClockKind) -> None:
        self._target, self._kind = target, kind
        self._book: Logbook | None = None
        self._mutex = threading.Lock()

    def book(self) -> Logbook:
        """The logbook, its clock guarded.

        Raises LogbookError while it is away, ClockMismatchError or SchemaError when it is not for us.
        """
        with self._mutex:
            if self._book is None:
                book = Logbook(self._target) if isinstance(self._target, str) else self._target
                try:
                    book.guard_clock(self._kind)
                except BaseException:
                    if book is not self._target:
                        book.close()
                    raise
                self._book = book
            return self._book

    def close(self) -> None:
        """Close what was opened here."""
        with self._mutex:
            if self._book is not None and self._book is not self._target:
                self._book.close()
            self._book = None
