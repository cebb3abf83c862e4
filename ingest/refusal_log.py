"""What was refused, and what was taken in doubt: a counter per reason for good, and the last refused messages."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from ingest.doubts import Doubt
from ingest.reasons import Refusal
from ingest.spool_file import SpoolFile
from skidhand.model.samples import moment

KEPT: Final = 1000
EXCERPT_BYTES: Final = 200
TOPIC_LENGTH: Final = 200

_COUNT: Final = "INSERT INTO {} VALUES (?, ?) ON CONFLICT (reason) DO UPDATE SET count = count + excluded.count"


@dataclass(frozen=True, slots=True)
class RefusedMessage:
    """A message of which something was refused; ``payload`` is cut to EXCERPT_BYTES when it is kept."""

    at_us: int
    topic: str
    payload: bytes
    refusals: tuple[Refusal, ...]


@dataclass(frozen=True, slots=True)
class LogLine:
    """One line of the log."""

    at: datetime
    reason: str
    count: int
    topic: str
    detail: str
    excerpt: bytes


class RefusalLog:
    """The three tables in the spool's file; written in the same transaction as the batch beside them."""

    def __init__(self, file: SpoolFile) -> None:
        self._file = file

    def write(self, db: sqlite3.Connection, refused: Sequence[RefusedMessage], doubts: Mapping[Doubt, int]) -> None:
        """Count all and keep the last KEPT refusals; within the caller's transaction."""
        if doubts:
            db.executemany(_COUNT.format("doubted"), [(doubt.value, count) for doubt, count in doubts.items()])
        if not refused:
            return
        lines = [(message, refusal) for message in refused for refusal in message.refusals]
        db.executemany(_COUNT.format("refused"), [(refusal.reason.value, refusal.count) for _, refusal in lines])
        db.executemany(
            "INSERT INTO refusals (at, reason, count, topic, detail, excerpt) VALUES (?, ?, ?, ?, ?, ?)",
            [_values(message, refusal) for message, refusal in lines[-KEPT:]],
        )
        db.execute("DELETE FROM refusals WHERE id <= (SELECT max(id) FROM refusals) - ?", (KEPT,))

    def counts(self) -> dict[str, int]:
        """Refused by reason, since the spool was made."""
        with self._file.reading() as db:
            return dict(db.execute("SELECT reason, count FROM refused ORDER BY reason").fetchall())

    def doubts(self) -> dict[str, int]:
        """Samples taken in doubt, by doubt, since the spool was made."""
        with self._file.reading() as db:
            return dict(db.execute("SELECT reason, count FROM doubted ORDER BY reason").fetchall())

    def last(self, limit: int = 50) -> list[LogLine]:
        """The last lines, newest first."""
        query = "SELECT at, reason, count, topic, detail, excerpt FROM refusals ORDER BY id DESC LIMIT ?"
        with self._file.reading() as db:
            rows = db.execute(query, (limit,)).fetchall()
        return [LogLine(moment(at), *rest) for at, *rest in rows]


def _values(message: RefusedMessage, refusal: Refusal) -> tuple[int, str, int, str, str, bytes]:
    # Surrogates cannot be stored as UTF-8.
    topic = message.topic[:TOPIC_LENGTH].encode("utf-8", "backslashreplace").decode()
    detail = refusal.detail.encode("utf-8", "backslashreplace").decode()
    return message.at_us, refusal.reason.value, refusal.count, topic, detail, message.payload[:EXCERPT_BYTES]
