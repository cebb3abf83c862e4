"""Rows that the store does not take: moved behind the others, cut in two, and at last set aside.

Nothing is thrown away. A row that is moved gets a new number, so that its own never lands and the rows
behind it can; a sample that is set aside stays in the spool's file and is tried again at every start.
"""

from __future__ import annotations

import itertools
import sqlite3
from typing import TYPE_CHECKING

from ingest.spool_rows import Row, packed
from skidhand.clock import WallClock
from skidhand.model.samples import micros

if TYPE_CHECKING:
    from ingest.spool import Spool


class Aside:
    """The rows of one spool that its store has refused. All steps are single transactions."""

    def __init__(self, spool: Spool) -> None:
        self._spool = spool
        with spool.file.reading() as db:
            self.samples = int(db.execute("SELECT coalesce(sum(samples), 0) FROM aside").fetchone()[0])

    def postpone(self, row: Row, pieces: int = 1) -> list[int]:
        """Move the oldest row behind all others, in so many ``pieces`` of about one size; their new numbers."""
        table = row.table()
        edges = [round(i * len(table) / pieces) for i in range(pieces + 1)]
        payloads = [(packed(table.slice(a, b - a)), b - a) for a, b in itertools.pairwise(edges) if b > a]
        spooled = micros(WallClock().now())
        with self._spool.file.writing() as db:
            numbers = [
                # The stream's time waits for the last piece.
                self._spool.insert(db, payload, size, spooled, row.announced_us if i + 1 == len(payloads) else None)
                for i, (payload, size) in enumerate(payloads)
            ]
            self._forget(db, row)
        self._spool.recount()
        return numbers

    def keep(self, row: Row, reason: str) -> None:
        """Set the oldest row aside: the store takes others, and not this one."""
        with self._spool.file.writing() as db:
            values = (micros(WallClock().now()), row.samples, reason[:500], row.payload)
            db.execute("INSERT INTO aside (at, samples, reason, payload) VALUES (?, ?, ?, ?)", values)
            self._forget(db, row)
        self.samples += row.samples
        self._spool.recount()

    def bring_back(self) -> int:
        """Spool again what was set aside, once each start: what refused it may have been mended; samples."""
        brought, spooled = self.samples, micros(WallClock().now())
        if not brought:
            return 0
        with self._spool.file.writing() as db:
            for payload, size in db.execute("SELECT payload, samples FROM aside ORDER BY id").fetchall():
                self._spool.insert(db, payload, size, spooled, None)
            db.execute("DELETE FROM aside")
        self.samples = 0
        self._spool.recount()
        return brought

    def _forget(self, db: sqlite3.Connection, row: Row) -> None:
        db.execute("DELETE FROM rows WHERE number = ?", (row.number,))
        self._spool.file.set(db, removed_digest=row.digest)
