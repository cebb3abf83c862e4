"""The durable spool: one SQLite file between the broker and the store, and the only promise to senders.

A batch is one row, committed with an fsync (write-ahead log, synchronous=FULL) before its messages are
acknowledged, and removed once the store has it. Rows are numbered upwards for good and chained: digest
n = SHA-256(digest n−1 ‖ payload n), so that one digest names all that came before it.
"""

from __future__ import annotations

import shutil
import sqlite3
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Final

import pyarrow as pa

from ingest.doubts import Doubt
from ingest.reduce import Held
from ingest.refusal_log import RefusalLog, RefusedMessage
from ingest.spool_aside import Aside
from ingest.spool_file import SpoolError, SpoolFile, SpoolFullError
from ingest.spool_held import HeldRows
from ingest.spool_rows import Depth, Row, chained, packed
from skidhand.clock import WallClock
from skidhand.errors import IntegrityError, WriterMismatchError
from skidhand.model.samples import micros
from skidhand.stores.base import Landed

__all__ = ["Depth", "Row", "Spool", "SpoolError", "SpoolFullError", "chained"]

RESERVE_BYTES: Final = 64 * 2**20
"""Left free on the disk, so that the drain always has room to delete rows and so to make room."""

NO_DOUBTS: Final[Mapping[Doubt, int]] = {}

_ROW: Final = "SELECT number, digest, samples, announced, payload FROM rows"


class Spool:
    """Opens ``path``, or makes it with a new writer id; holds it for this process alone until :meth:`close`.

    ``max_bytes`` limits the waiting payloads (the file is a little larger). ``worker``: the id for a new spool,
    where that of a worker is wanted whose own is lost. Safe between threads.
    Raises IntegrityError when another process holds it or it is no spool, SchemaError for a newer one.
    """

    def __init__(
        self,
        path: Path | str,
        *,
        max_bytes: int | None = None,
        reserve_bytes: int = RESERVE_BYTES,
        worker: str | None = None,
    ) -> None:
        self.path = Path(path)
        self.max_bytes, self._reserve = max_bytes, reserve_bytes
        self.file = SpoolFile(self.path)
        self.refusals = RefusalLog(self.file)
        try:
            self.recount()
            self.aside, self.held = Aside(self), HeldRows(self)
            with self.file.writing() as db:
                for key, value in (("writer", str(uuid.uuid4())), ("client", worker or uuid.uuid4().hex[:12])):
                    if self.file.get(key) is None:
                        self.file.set(db, **{key: value})
        except SpoolError:
            self.file.close()
            raise

    # --- what the spool knows about itself -------------------------------------------------------

    @property
    def writer(self) -> str:
        """This spool's writer id: a UUID minted with the file."""
        return str(self.file.get("writer"))

    @property
    def worker(self) -> str:
        """The id of the worker that this spool makes; :meth:`mint_new_writer` leaves it."""
        return str(self.file.get("client"))

    @property
    def client_id(self) -> str:
        """The MQTT client id of that worker, by which the broker keeps its session."""
        return f"skidhand-ingest-{self.worker}"

    def mint_new_writer(self) -> str:
        """A new writer id, for a spool that was restored from a copy; what waits goes out under it."""
        with self.file.writing() as db:
            self.file.set(db, writer=str(uuid.uuid4()), written_number=None, written_digest=None)
        return self.writer

    @property
    def last_received_us(self) -> int | None:
        """The highest receive time spooled so far; the next may not lie below it."""
        return self._optional("last_received")

    @property
    def announced_us(self) -> int | None:
        """The highest stream time spooled so far, or None."""
        return self._optional("announced")

    @property
    def announce_due_us(self) -> int | None:
        """The highest stream time whose samples are all in the store, or None."""
        return self._optional("announce_due")

    def _optional(self, key: str) -> int | None:
        value = self.file.get(key)
        return None if value is None else int(value)

    @property
    def fleet_text(self) -> str | None:
        """The fleet file last in use here, for a start while the logbook is away."""
        value = self.file.get("fleet")
        return None if value is None else str(value)

    @property
    def subscriptions(self) -> tuple[str, ...]:
        """The topic filters that this worker has asked of the broker, for the day on which it gives them back."""
        return tuple(str(self.file.get("subscriptions") or "").split())

    def remember_subscriptions(self, filters: Sequence[str]) -> None:
        """Keep them for :attr:`subscriptions`; filters of ours hold no space."""
        known = dict.fromkeys((*self.subscriptions, *filters))
        if len(known) > len(self.subscriptions):
            with self.file.writing() as db:
                self.file.set(db, subscriptions=" ".join(known))

    def remember_fleet(self, text: str) -> None:
        """Keep the fleet file for :attr:`fleet_text`."""
        with self.file.writing() as db:
            self.file.set(db, fleet=text)

    def depth(self) -> Depth:
        """What waits now."""
        return self._depth

    def recount(self) -> None:
        """Count anew what waits, after rows were moved."""
        query = "SELECT count(*), coalesce(sum(samples), 0), coalesce(sum(length(payload)), 0), min(spooled) FROM rows"
        with self.file.reading() as db:
            self._depth = Depth(*db.execute(query).fetchone())

    # --- in ----------------------------------------------------------------------------------------

    def append(
        self,
        samples: pa.Table,
        *,
        announced_us: int | None = None,
        refused: Sequence[RefusedMessage] = (),
        doubts: Mapping[Doubt, int] = NO_DOUBTS,
        held: tuple[Held, pa.StringArray] | None = None,
    ) -> int | None:
        """Commit one batch to the disk; its number, or None when there was nothing but refusals to keep.

        ``samples`` as SAMPLES, in order of receipt. ``held``: what became of values that wait to be thinned
        out, with the names of the series codes. Raises SpoolFullError or SpoolError: nothing was kept.
        """
        if len(samples) == 0 and announced_us is None:
            if refused or held:
                with self.file.writing() as db:
                    self._write_beside(db, refused, doubts, held)
            return None
        payload, spooled = packed(samples), micros(WallClock().now())
        with self.file.mutex:
            self._check_room(len(payload))
            with self.file.writing() as db:
                number = self.insert(db, payload, len(samples), spooled, announced_us)
                if len(samples):
                    self.file.raise_to(db, last_received=samples["received"][-1].value)
                self._write_beside(db, refused, doubts, held)
            old = self._depth
            oldest = spooled if old.oldest_us is None else old.oldest_us
            self._depth = Depth(old.rows + 1, old.samples + len(samples), old.bytes + len(payload), oldest)
        return number

    def _write_beside(
        self,
        db: sqlite3.Connection,
        refused: Sequence[RefusedMessage],
        doubts: Mapping[Doubt, int],
        held: tuple[Held, pa.StringArray] | None,
    ) -> None:
        self.refusals.write(db, refused, doubts)
        if held:
            self.held.write(db, *held)

    def insert(
        self, db: sqlite3.Connection, payload: bytes, samples: int, spooled: int, announced_us: int | None
    ) -> int:
        """One row at the end, within the transaction ``db``; its number."""
        digest = chained(self.file.get("last_digest") or "", payload)
        insert = "INSERT INTO rows (digest, samples, spooled, announced, payload) VALUES (?, ?, ?, ?, ?)"
        number = db.execute(insert, (digest, samples, spooled, announced_us, payload)).lastrowid
        self.file.set(db, last_digest=digest)
        if announced_us is not None:
            self.file.raise_to(db, announced=announced_us)
        return int(number or 0)

    def _check_room(self, size: int) -> None:
        waiting = self._depth.bytes
        if self.max_bytes is not None and waiting and waiting + size > self.max_bytes:
            raise SpoolFullError(
                f"spool {self.path} is full: {waiting:,} of {self.max_bytes:,} bytes wait for the store"
            )
        free = shutil.disk_usage(self.path.parent).free
        if free < self._reserve + size:
            raise SpoolFullError(f"the disk of spool {self.path} is full: only {free:,} bytes are free")

    # --- out ---------------------------------------------------------------------------------------

    def waiting(self, max_samples: int, max_rows: int = -1) -> list[Row]:
        """The oldest rows up to ``max_samples`` and ``max_rows`` (one row at least, if any waits; −1: all).

        Raises IntegrityError when a row is not what was written: its digest differs.
        """
        rows: list[Row] = []
        total, digest = 0, self.file.get("removed_digest") or ""
        with self.file.reading() as db:
            for values in db.execute(f"{_ROW} ORDER BY number LIMIT ?", (max_rows,)):
                row = Row(*values)
                total += row.samples
                if rows and total > max_samples:
                    break
                if chained(digest, row.payload) != row.digest:
                    raise IntegrityError(f"spool {self.path}: batch {row.number} is damaged: its digest differs")
                digest = row.digest
                rows.append(row)
        return rows

    def remove(self, last: Row, *, written: bool) -> None:
        """Forget all rows up to ``last``, which the store holds (``written``: under this number and digest)."""
        with self.file.mutex:
            with self.file.writing() as db:
                query = (
                    "SELECT count(*), sum(samples), sum(length(payload)), max(announced) FROM rows WHERE number <= ?"
                )
                rows, samples, size, announced = db.execute(query, (last.number,)).fetchone()
                db.execute("DELETE FROM rows WHERE number <= ?", (last.number,))
                oldest = db.execute("SELECT spooled FROM rows ORDER BY number LIMIT 1").fetchone()
                self.file.set(db, removed_digest=last.digest)
                if written:
                    self.file.set(db, written_number=last.number, written_digest=last.digest)
                if announced is not None:
                    self.file.raise_to(db, announce_due=announced)
            was = self._depth
            self._depth = Depth(was.rows - rows, was.samples - samples, was.bytes - size, oldest[0] if oldest else None)

    def reconcile(self, landed: Landed | None) -> int:
        """Forget the rows that the store holds already; how many. For the start, after a kill between the two.

        Raises WriterMismatchError when what landed under this writer id is not what this spool wrote.
        """
        if landed is None:
            return 0
        with self.file.reading() as db:
            found = db.execute(f"{_ROW} WHERE number = ?", (landed.number,)).fetchone()
        if found is None:
            mine = Landed(self.file.get("written_number") or 0, self.file.get("written_digest") or "")
            if landed.number >= mine.number and landed != mine:
                self._mismatch(landed)
            return 0
        row, before = Row(*found), self._depth.rows
        if row.digest != landed.digest:
            self._mismatch(landed)
        self.remove(replace(row, payload=b""), written=True)
        return before - self._depth.rows

    def _mismatch(self, landed: Landed) -> None:
        raise WriterMismatchError(
            f"the store holds batch {landed.number} of writer {self.writer}, which is not the one that spool "
            f"{self.path} wrote: the spool was restored from a copy, or copied; give it a new writer id"
        )

    def close(self) -> None:
        """Let go of the file."""
        self.file.close()

    def __enter__(self) -> Spool:
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        self.close()
