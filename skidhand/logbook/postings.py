"""Reports on their way to people: one row for each of them and period, so that each is sent once."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Literal

from sqlalchemy import func, insert, select, update

from skidhand.logbook.database import Database
from skidhand.logbook.tables_entries import postings


@dataclass(frozen=True, slots=True)
class Posting:
    """``number``: the statement's, once it is frozen. ``due``: not to be tried before. ``error``: of the last try."""

    id: str
    subject: str
    period: str
    person: str
    customer: bool
    due: datetime
    number: int | None = None
    state: Literal["waiting", "sent", "refused"] = "waiting"
    attempts: int = 0
    sent: datetime | None = None
    error: str = ""


class PostingBook:
    """The rows; only the sender of reports writes them."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def plan(self, posting: Posting) -> bool:
        """Write it unless its id stands already; True when it was new."""
        with self._db.write() as connection:
            if connection.execute(select(postings.c.id).where(postings.c.id == posting.id)).scalar() is not None:
                return False
            connection.execute(insert(postings).values(asdict(posting)))
        return True

    def save(self, posting: Posting) -> None:
        """Write its new state."""
        with self._db.write() as connection:
            connection.execute(update(postings).where(postings.c.id == posting.id).values(asdict(posting)))

    def waiting(self, now: datetime) -> list[Posting]:
        """Those to be tried at ``now``, the longest due first."""
        query = select(postings).where(postings.c.state == "waiting", postings.c.due <= now)
        with self._db.read() as connection:
            rows = connection.execute(query.order_by(postings.c.due, postings.c.id))
            return [Posting(**row._mapping) for row in rows]

    def all(self) -> list[Posting]:
        """Every row."""
        with self._db.read() as connection:
            rows = connection.execute(select(postings).order_by(postings.c.due, postings.c.id))
            return [Posting(**row._mapping) for row in rows]

    def counts(self) -> dict[str, int]:
        """How many stand in each state."""
        query = select(postings.c.state, func.count()).group_by(postings.c.state)
        with self._db.read() as connection:
            return {row[0]: row[1] for row in connection.execute(query)}
