"""What people wrote into the logbook, and statements that were sent: rows are only ever added."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import func, insert, or_, select

from skidhand.logbook.database import Database, column_text
from skidhand.logbook.tables import entries
from skidhand.logbook.tables_entries import statements
from skidhand.model.entry import Entry
from skidhand.model.statement import Statement


class EntryBook:
    """What people did or measured; never changed afterwards."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def add(self, entry: Entry) -> None:
        """Write an entry; LogbookError when its id stands already."""
        with self._db.write() as connection:
            connection.execute(insert(entries).values(_row(entry)))

    def add_new(self, many: Iterable[Entry]) -> list[bool]:
        """Write those whose id does not stand yet, all or none; True for each that was new."""
        fresh: list[bool] = []
        with self._db.write() as connection:
            for entry in many:
                known = connection.execute(select(entries.c.id).where(entries.c.id == str(entry.id))).scalar()
                fresh.append(known is None)
                if known is None:
                    connection.execute(insert(entries).values(_row(entry)))
        return fresh

    def get(self, entry: str) -> Entry | None:
        """The entry of that id."""
        with self._db.read() as connection:
            doc = connection.execute(select(entries.c.doc).where(entries.c.id == entry)).scalar()
        return None if doc is None else Entry.model_validate(doc)

    def all(
        self,
        *,
        skid: str | None = None,
        kind: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
    ) -> list[Entry]:
        """Entries that fit, oldest first; ``until`` is not included."""
        query = select(entries.c.doc).order_by(entries.c.at, entries.c.id)
        if skid is not None:
            query = query.where(entries.c.skid == skid)
        if kind is not None:
            query = query.where(entries.c.kind == kind)
        if since is not None:
            query = query.where(entries.c.at >= since)
        if until is not None:
            query = query.where(entries.c.at < until)
        return self._many(query)

    def count(self, kinds: Sequence[str]) -> int:
        """How many of these kinds there are: rows are only ever added, so that the same count is the same rows."""
        query = select(func.count()).select_from(entries).where(entries.c.kind.in_(kinds))
        with self._db.read() as connection:
            return int(connection.execute(query).scalar_one())

    def search(
        self,
        words: str = "",
        *,
        skids: Sequence[str] | None = None,
        kind: str | None = None,
        before: datetime | None = None,
        limit: int = 200,
    ) -> list[Entry]:
        """The newest entries that hold every one of ``words``; ``skids``: those and the fleet's own."""
        query = select(entries.c.doc).order_by(entries.c.at.desc(), entries.c.id).limit(limit)
        for word in column_text(words).lower().split():
            query = query.where(entries.c.words.contains(word, autoescape=True))
        if skids is not None:
            query = query.where(or_(entries.c.skid.is_(None), entries.c.skid.in_(skids)))
        if kind is not None:
            query = query.where(entries.c.kind == kind)
        if before is not None:
            query = query.where(entries.c.at < before)
        return self._many(query)

    def _many(self, query: Any) -> list[Entry]:
        with self._db.read() as connection:
            return [Entry.model_validate(doc) for doc in connection.execute(query).scalars()]


class StatementBook:
    """Reports that were sent, frozen as they were."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def of(self, key: str) -> list[Statement]:
        """All of one subject and period: the first one, then its corrections in order."""
        query = select(statements.c.doc).where(statements.c.key == key).order_by(statements.c.number)
        with self._db.read() as connection:
            return [Statement.model_validate(doc) for doc in connection.execute(query).scalars()]

    def freeze(self, statement: Statement) -> Statement:
        """Write it under the next number, unless its figures are those of the last one, which is then given back."""
        with self._db.write() as connection:
            mine = statements.c.key == statement.key
            last = connection.execute(select(func.max(statements.c.number)).where(mine)).scalar()
            if last is not None:
                doc = connection.execute(select(statements.c.doc).where(mine, statements.c.number == last)).scalar_one()
                known = Statement.model_validate(doc)
                if known.digest == statement.digest:
                    return known
            numbered = statement.model_copy(update={"number": 0 if last is None else last + 1})
            row = {"key": numbered.key, "number": numbered.number, "issued": numbered.issued}
            connection.execute(insert(statements).values(**row, doc=numbered.model_dump(mode="json")))
        return numbered


def _row(entry: Entry) -> dict[str, Any]:
    row = {"id": str(entry.id), "at": entry.at, "kind": entry.kind, "skid": entry.skid, "who": column_text(entry.who)}
    return {**row, "words": column_text(entry.words), "doc": entry.model_dump(mode="json")}
