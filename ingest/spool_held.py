"""Values that are thinned out for now, but may yet count: kept on disk, one a series."""

from __future__ import annotations

import math
import sqlite3
from typing import TYPE_CHECKING

import pyarrow as pa

from ingest.reduce import Held
from ingest.spool_rows import packed
from skidhand.clock import WallClock
from skidhand.model.samples import micros, table

if TYPE_CHECKING:
    from ingest.spool import Spool


class HeldRows:
    """The table of held values in one spool."""

    def __init__(self, spool: Spool) -> None:
        self._spool = spool

    def write(self, db: sqlite3.Connection, held: Held, series: pa.StringArray) -> None:
        """Take over what a batch changed, within its transaction."""
        db.executemany("DELETE FROM held WHERE series = ?", [(series[code].as_py(),) for code in held.drop])
        db.executemany(
            "INSERT OR REPLACE INTO held VALUES (?, ?, ?, ?)",
            [(series[code].as_py(), point.time_us, point.value, point.quality) for code, point in held.put.items()],
        )

    def release(self, now_us: int) -> int:
        """Spool all that is held, as received now, and hold nothing: at a start, or under a new fleet; samples."""
        with self._spool.file.writing() as db:
            found = db.execute("SELECT series, time, value, quality FROM held ORDER BY series").fetchall()
            if found:
                rows = [(name, time, None if math.isnan(value) else value, q, now_us) for name, time, value, q in found]
                self._spool.insert(db, packed(table(rows)), len(rows), micros(WallClock().now()), None)
                self._spool.file.raise_to(db, last_received=now_us)
                db.execute("DELETE FROM held")
        if found:
            self._spool.recount()
        return len(found)
