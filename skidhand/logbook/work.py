"""Skids and units out of service: anybody says so, alerts alone acts on it and marks it."""

from __future__ import annotations

from sqlalchemy import insert, select

from skidhand.logbook.database import Database
from skidhand.logbook.tables import work
from skidhand.model.prompt import Work


class WorkBook:
    """Work and planned outages."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def add(self, one: Work) -> None:
        """Put work before alerts; LogbookError when its id stands already."""
        values = {"id": str(one.id), "skid": one.skid, "open": one.ended is None, "doc": one.model_dump(mode="json")}
        with self._db.write() as connection:
            connection.execute(insert(work).values(values))

    def open(self, skid: str | None = None) -> list[Work]:
        """What has not ended (of one skid), the first to begin first."""
        return [one for one in self.all(skid) if one.ended is None]

    def all(self, skid: str | None = None) -> list[Work]:
        """All that there ever was (of one skid), the first to begin first."""
        query = select(work.c.doc) if skid is None else select(work.c.doc).where(work.c.skid == skid)
        with self._db.read() as connection:
            found = [Work.model_validate(doc) for doc in connection.execute(query).scalars()]
        return sorted(found, key=lambda one: (one.begins, str(one.id)))
