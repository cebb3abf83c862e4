"""The spool's file: its tables, its transactions, and the lock that keeps it to one process."""

from __future__ import annotations

import fcntl
import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

from skidhand.errors import IntegrityError, OutsideError, SchemaError

VERSION: Final = 1

SCHEMA: Final = f"""
BEGIN IMMEDIATE;
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS rows (
    number INTEGER PRIMARY KEY AUTOINCREMENT,  -- never used twice, even when all rows are gone
    digest TEXT NOT NULL,
    samples INTEGER NOT NULL,
    spooled INTEGER NOT NULL,                  -- wall time, microseconds
    announced INTEGER,                         -- stream time, microseconds
    payload BLOB NOT NULL                      -- Arrow IPC stream, zstd
);
CREATE TABLE IF NOT EXISTS refused (reason TEXT PRIMARY KEY, count INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS doubted (reason TEXT PRIMARY KEY, count INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS refusals (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    at INTEGER NOT NULL,
    reason TEXT NOT NULL,
    count INTEGER NOT NULL,
    topic TEXT NOT NULL,
    detail TEXT NOT NULL,
    excerpt BLOB NOT NULL
);
CREATE TABLE IF NOT EXISTS held (
    series TEXT PRIMARY KEY,
    time INTEGER NOT NULL,
    value REAL NOT NULL,
    quality INTEGER NOT NULL
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS aside (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    at INTEGER NOT NULL,
    samples INTEGER NOT NULL,
    reason TEXT NOT NULL,                      -- the store's words
    payload BLOB NOT NULL
);
INSERT OR IGNORE INTO meta VALUES ('version', {VERSION});
COMMIT;
"""


class SpoolError(OutsideError):
    """The spool's file cannot be written or read now."""


class SpoolFullError(SpoolError):
    """The spool has reached its limit or the disk is full; nothing was written."""


class FileLock:
    """An exclusive lock on ``path`` for the life of the process; the system lets go of it at a kill."""

    def __init__(self, path: Path) -> None:
        self._file = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(self._file)
            raise IntegrityError(
                f"{path} is held by another process: one spool serves one ingest; give each its own spool"
            ) from error

    def release(self) -> None:
        """Let others have it."""
        os.close(self._file)


class SpoolFile:
    """One connection, one mutex; ``meta`` is a small table of single values. Safe between threads.

    Raises IntegrityError when another process holds the file or it is no spool, SchemaError for a newer
    one; later on SpoolError or SpoolFullError, and then nothing was written.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.mutex = threading.RLock()
        path.parent.mkdir(parents=True, exist_ok=True)
        self._lock = FileLock(path.with_name(path.name + ".lock"))
        try:
            self._db = _open(path)
        except BaseException:
            self._lock.release()
            raise

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """The connection, for this thread alone."""
        with self.mutex:
            try:
                yield self._db
            except sqlite3.Error as error:
                raise SpoolError(f"spool {self.path}: {error}") from error

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction: on the disk at the end, undone by any error."""
        with self.mutex:
            try:
                self._db.execute("BEGIN IMMEDIATE")
                yield self._db
                self._db.execute("COMMIT")
            except sqlite3.Error as error:
                kind = SpoolFullError if "full" in str(error) else SpoolError
                raise kind(f"spool {self.path}: {error}") from error
            finally:
                with suppress(sqlite3.Error):  # of a closed file there is nothing to undo
                    if self._db.in_transaction:
                        self._db.execute("ROLLBACK")

    def get(self, key: str) -> Any:
        """A value of ``meta``, None where there is none."""
        with self.reading() as db:
            row = db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return None if row is None else row[0]

    def set(self, db: sqlite3.Connection, **values: Any) -> None:
        """Set values of ``meta`` within the transaction ``db``."""
        db.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", values.items())

    def raise_to(self, db: sqlite3.Connection, **values: int) -> None:
        """As :meth:`set`, for values that never go back."""
        for key, value in values.items():
            before = self.get(key)
            if before is None or before < value:
                self.set(db, **{key: value})

    def close(self) -> None:
        """Let go of the file."""
        with self.mutex:
            self._db.close()
            self._lock.release()


def _open(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    try:
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "journal_size_limit=67108864"):
            db.execute(f"PRAGMA {pragma}")
        db.executescript(SCHEMA)
        found = db.execute("SELECT value FROM meta WHERE key = 'version'").fetchone()[0]
    except sqlite3.OperationalError as error:
        db.close()
        raise SpoolError(f"cannot open the spool {path}: {error}") from error
    except sqlite3.DatabaseError as error:
        db.close()
        raise IntegrityError(f"{path} is no spool, or it is damaged: {error}") from error
    if found != VERSION:
        db.close()
        raise SchemaError(f"spool {path} is of version {found}, this program reads version {VERSION}")
    return db
