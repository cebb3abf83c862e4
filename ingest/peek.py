"""Looks into a spool that another process holds: what waits, and what was refused."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from ingest.refusal_log import LogLine
from ingest.spool_file import SpoolError
from skidhand.model.samples import moment


@dataclass(frozen=True, slots=True)
class Peek:
    """A spool as it stands. ``oldest_us``: wall time of the oldest batch that waits, or None."""

    samples: int
    bytes: int
    oldest_us: int | None
    refused: dict[str, int]
    doubted: dict[str, int]
    aside: int  # samples that the store refuses
    aside_reason: str  # and its words for the last of them
    last: tuple[LogLine, ...]


def worker_of(path: Path) -> str | None:
    """The id of the worker whose spool stands at ``path``, or None when there is no spool."""
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=5.0)) as db:
            found = db.execute("SELECT value FROM meta WHERE key = 'client'").fetchone()
    except sqlite3.Error:
        return None
    return str(found[0]) if found else None


def peek(path: Path, *, lines: int = 5) -> Peek:
    """The spool at ``path`` without touching or locking it, with the last ``lines`` refusals, newest first.

    Raises SpoolError when there is none or it cannot be read.
    """
    if not path.is_file():
        raise SpoolError(f"there is no spool {path}")
    try:
        # Read-only, and not immutable: the process that holds it goes on writing.
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=5.0)) as db:
            waiting = "SELECT coalesce(sum(samples), 0), coalesce(sum(length(payload)), 0), min(spooled) FROM rows"
            samples, size, oldest = db.execute(waiting).fetchone()
            refused = dict(db.execute("SELECT reason, count FROM refused ORDER BY reason").fetchall())
            doubted = dict(db.execute("SELECT reason, count FROM doubted ORDER BY reason").fetchall())
            kept = db.execute("SELECT samples, reason FROM aside ORDER BY id").fetchall()
            query = "SELECT at, reason, count, topic, detail, excerpt FROM refusals ORDER BY id DESC LIMIT ?"
            last = tuple(LogLine(moment(at), *rest) for at, *rest in db.execute(query, (lines,)).fetchall())
    except sqlite3.Error as error:
        raise SpoolError(f"cannot look into spool {path}: {error}") from error
    aside = sum(count for count, _ in kept)
    return Peek(samples, size, oldest, refused, doubted, aside, kept[-1][1] if kept else "", last)
