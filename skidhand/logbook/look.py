"""What the board reads over and over, for many skids at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import Select, and_, func, select

from skidhand.logbook.database import Database
from skidhand.logbook.tables import answers, deliveries, findings, prompts, transitions, work
from skidhand.model.finding import Finding
from skidhand.model.prompt import Prompt, Work

Revision = tuple[str, int]
"""Id and number of one revision of one finding."""


class LookBook:
    """Reads for pages; writes nothing."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def pulse(self) -> tuple[int, ...]:
        """Changes whenever a finding, a prompt or an answer does: a cheap look for whether to read again."""
        queries = (
            select(func.coalesce(func.max(findings.c.seq), 0)),
            select(func.count(), func.max(prompts.c.updated)).select_from(prompts),
            select(func.coalesce(func.max(transitions.c.seq), 0)),
            select(func.count()).select_from(answers),
            select(func.count()).select_from(work).where(work.c.open),
        )
        with self._db.read() as connection:
            rows = [connection.execute(query).one() for query in queries]
        return tuple(hash(tuple(row)) for row in rows)

    def standing(self, known: Mapping[Revision, Finding]) -> dict[Revision, Finding]:
        """Every open finding at its newest revision, without its traces; what is ``known`` is not read again."""
        newest = _newest().subquery()
        on = and_(findings.c.id == newest.c.id, findings.c.revision == newest.c.revision)
        query = select(findings.c.id, findings.c.revision).join(newest, on).where(findings.c.state == "open")
        with self._db.read() as connection:
            wanted = [(row.id, row.revision) for row in connection.execute(query)]
            found = {one: known[one] for one in wanted if one in known}
            fresh = [one for one in wanted if one not in known]
            for i in range(0, len(fresh), 200):
                ids = {name for name, _ in fresh[i : i + 200]}
                rows = connection.execute(
                    select(findings.c.doc, findings.c.id, findings.c.revision).where(findings.c.id.in_(ids))
                )
                found.update({(r.id, r.revision): _light(r.doc) for r in rows if (r.id, r.revision) in fresh})
        return found

    def findings(
        self,
        *,
        skids: list[str],
        sites: list[str] | None,
        state: str | None = None,
        overlaps: tuple[datetime, datetime] | None = None,
        limit: int = 100,
        offset: int = 0,
    ) -> list[Finding]:
        """The newest revision of each finding, newest onset first, a page of it; superseded ones left out.

        ``sites`` keeps those made there; ``overlaps`` those that stood at any time in [start, end).
        """
        newest = _newest().subquery()
        on = and_(findings.c.id == newest.c.id, findings.c.revision == newest.c.revision)
        query = select(findings.c.doc).join(newest, on).where(findings.c.skid.in_(skids))
        query = query.where(findings.c.state != "superseded" if state is None else findings.c.state == state)
        if sites is not None:
            query = query.where(findings.c.doc["site"].as_string().in_(sites))
        if overlaps is not None:
            query = query.where(findings.c.onset < overlaps[1])
        query = query.order_by(findings.c.onset.desc(), findings.c.id)
        if overlaps is None:
            query = query.limit(limit).offset(offset)
        with self._db.read() as connection:
            docs = connection.execute(query).scalars()
            found = [Finding.model_validate(doc) for doc in docs]
        if overlaps is None:
            return found
        stood = [one for one in found if one.ended is None or one.ended >= overlaps[0]]
        return stood[offset : offset + limit]

    def work(self) -> list[Work]:
        """Skids and units that are out of service, or will be."""
        with self._db.read() as connection:
            docs = connection.execute(select(work.c.doc).where(work.c.open)).scalars()
            return [Work.model_validate(doc) for doc in docs]

    def finding(self, finding: UUID) -> Finding | None:
        """The newest revision of one finding, superseded or not; None when it was never told."""
        query = select(findings.c.doc).where(findings.c.id == str(finding))
        with self._db.read() as connection:
            doc = connection.execute(query.order_by(findings.c.revision.desc()).limit(1)).scalar()
        return None if doc is None else Finding.model_validate(doc)

    def named(self, wanted: Iterable[UUID]) -> dict[UUID, Finding]:
        """The newest revision of each of these findings, without its traces; what is not there is left out."""
        ids = sorted({str(one) for one in wanted})
        told: dict[UUID, Finding] = {}
        with self._db.read() as connection:
            for i in range(0, len(ids), 200):
                newest = _newest().where(findings.c.id.in_(ids[i : i + 200])).subquery()
                on = and_(findings.c.id == newest.c.id, findings.c.revision == newest.c.revision)
                found = map(_light, connection.execute(select(findings.c.doc).join(newest, on)).scalars())
                told.update({one.id: one for one in found})
        return told

    def prompts(
        self, *, skids: list[str], sites: list[str] | None, open_only: bool, limit: int = 100, offset: int = 0
    ) -> list[Prompt]:
        """Prompts, last changed first, a page of them."""
        query = select(prompts.c.doc).where(prompts.c.skid.in_(skids))
        if sites is not None:
            query = query.where(prompts.c.doc["site"].as_string().in_(sites))
        if open_only:
            query = query.where(prompts.c.state != "cleared")
        query = query.order_by(prompts.c.updated.desc(), prompts.c.id).limit(limit).offset(offset)
        with self._db.read() as connection:
            return [Prompt.model_validate(doc) for doc in connection.execute(query).scalars()]

    def sent(self, start: datetime, end: datetime) -> list[tuple[str, str, datetime]]:
        """(prompt, person, when) of every message about a prompt handed over to somebody in [start, end)."""
        query = (
            select(deliveries.c.prompt, deliveries.c.person, deliveries.c.sent)
            .where(deliveries.c.state == "sent", deliveries.c.person != "")
            .where(deliveries.c.sent >= start, deliveries.c.sent < end)
            .where(deliveries.c.doc["purpose"].as_string() != "summary")
            .order_by(deliveries.c.sent, deliveries.c.id)
        )
        with self._db.read() as connection:
            return [(row.prompt, row.person, row.sent) for row in connection.execute(query)]


def _newest() -> Select[Any]:
    return select(findings.c.id, func.max(findings.c.revision).label("revision")).group_by(findings.c.id)


def _light(doc: dict[str, Any]) -> Finding:
    """The finding without its traces' points, which a list does not draw."""
    evidence = doc.get("evidence") or {}
    traces = [{**trace, "times": [], "values": []} for trace in evidence.get("traces", ())]
    return Finding.model_validate({**doc, "evidence": {**evidence, "traces": traces}})
