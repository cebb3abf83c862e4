"""Findings, detector states, cursor and snapshots: what analytics commits in one transaction."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from sqlalchemy import Connection, and_, delete, func, insert, select, update

from skidhand.errors import IntegrityError
from skidhand.logbook.database import Database
from skidhand.logbook.tables import analysis, findings, inbox, leases, snapshots
from skidhand.model.finding import Finding
from skidhand.model.watched import Watched


@dataclass(frozen=True, slots=True)
class Standing:
    """Where the analysis of one skid stands: worked in up to ``watermark``; ``state`` is its memory."""

    skid: str
    cursor: str | None
    watermark: datetime
    state: bytes


class LostLeaseError(IntegrityError):
    """Another analyser holds this skid now; what was computed is thrown away."""


class AnalysisBook:
    """Reads and writes of analytics."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def standing(self, skid: str) -> Standing | None:
        """Where the analysis of ``skid`` stands, or None when it has not begun."""
        with self._db.read() as connection:
            row = connection.execute(select(analysis).where(analysis.c.skid == skid)).one_or_none()
        return None if row is None else Standing(row.skid, row.cursor, row.watermark, row.state)

    def standings(self) -> dict[str, Standing]:
        """Where the analysis of every skid that has begun stands, by skid, in one query."""
        with self._db.read() as connection:
            rows = connection.execute(select(analysis)).all()
        return {row.skid: Standing(row.skid, row.cursor, row.watermark, row.state) for row in rows}

    def commit(
        self,
        standing: Standing,
        changed: Sequence[Finding],
        *,
        owner: str,
        watched: Watched | None = None,
        snapshots_at: Sequence[tuple[datetime, bytes]] = (),
        rewound_to: datetime | None = None,
        keep_snapshots_from: datetime | None = None,
    ) -> None:
        """Findings, memory, cursor and snapshots of one skid, all or nothing.

        ``owner`` must hold the lease ``analyze:<skid>`` (LostLeaseError otherwise). ``rewound_to`` drops
        the snapshots after that time first; ``keep_snapshots_from`` drops those before. ``watched``: what the
        memory says of itself, None for a skid that stands nowhere.
        """
        with self._db.write() as connection:
            _must_hold(connection, f"analyze:{standing.skid}", owner)
            _drop_snapshots(connection, standing.skid, rewound_to, keep_snapshots_from)
            for watermark, state in snapshots_at:
                connection.execute(insert(snapshots).values(skid=standing.skid, watermark=watermark, state=state))
            values = {
                "cursor": standing.cursor,
                "watermark": standing.watermark,
                "state": standing.state,
                "watched": None if watched is None else watched.model_dump(mode="json"),
            }
            done = connection.execute(update(analysis).where(analysis.c.skid == standing.skid).values(values))
            if done.rowcount == 0:
                connection.execute(insert(analysis).values(skid=standing.skid, **values))
            for finding in changed:
                _append(connection, finding)

    def watched(self, skids: Collection[str] | None = None) -> dict[str, Watched]:
        """By skid what is learnt still and what is not watched now; ``skids``: only those.

        A skid that was never analysed, or stands nowhere, is not there.
        """
        query = select(analysis.c.skid, analysis.c.watched).where(analysis.c.watched.is_not(None))
        with self._db.read() as connection:
            rows = connection.execute(query.order_by(analysis.c.skid)).all()
        return {row.skid: Watched.model_validate(row.watched) for row in rows if skids is None or row.skid in skids}

    def snapshot_before(self, skid: str, moment: datetime) -> tuple[datetime, bytes] | None:
        """The last snapshot whose watermark is at or before ``moment``."""
        query = (
            select(snapshots.c.watermark, snapshots.c.state)
            .where(snapshots.c.skid == skid, snapshots.c.watermark <= moment)
            .order_by(snapshots.c.watermark.desc())
            .limit(1)
        )
        with self._db.read() as connection:
            row = connection.execute(query).one_or_none()
        return None if row is None else (row.watermark, row.state)

    def current(
        self, *, skid: str | None = None, since: datetime | None = None, superseded: bool = False
    ) -> list[Finding]:
        """The last revision of each finding, oldest onset first; superseded ones only if asked for."""
        newest = (
            select(findings.c.id, func.max(findings.c.revision).label("revision")).group_by(findings.c.id).subquery()
        )
        query = select(findings.c.doc).join(
            newest, and_(findings.c.id == newest.c.id, findings.c.revision == newest.c.revision)
        )
        if skid is not None:
            query = query.where(findings.c.skid == skid)
        if since is not None:
            query = query.where(findings.c.onset >= since)
        if not superseded:
            query = query.where(findings.c.state != "superseded")
        with self._db.read() as connection:
            rows = connection.execute(query.order_by(findings.c.onset, findings.c.id)).scalars()
            return [Finding.model_validate(doc) for doc in rows]

    def history(self, finding: UUID) -> list[Finding]:
        """Every revision of one finding, first to last."""
        query = select(findings.c.doc).where(findings.c.id == str(finding)).order_by(findings.c.revision)
        with self._db.read() as connection:
            return [Finding.model_validate(doc) for doc in connection.execute(query).scalars()]


def _must_hold(connection: Connection, name: str, owner: str) -> None:
    holder = connection.execute(select(leases.c.owner).where(leases.c.name == name)).scalar()
    if holder != owner:
        raise LostLeaseError(f"lease {name!r} is held by {holder or 'nobody'}, not by {owner}")


def _drop_snapshots(connection: Connection, skid: str, after: datetime | None, before: datetime | None) -> None:
    if after is not None:
        connection.execute(delete(snapshots).where(snapshots.c.skid == skid, snapshots.c.watermark > after))
    if before is not None:
        connection.execute(delete(snapshots).where(snapshots.c.skid == skid, snapshots.c.watermark < before))


def _append(connection: Connection, finding: Finding) -> None:
    row = connection.execute(
        insert(findings)
        .values(
            id=str(finding.id),
            revision=finding.revision,
            state=finding.state,
            kind=finding.kind,
            skid=finding.skid,
            unit=finding.unit,
            onset=finding.onset,
            detected=finding.detected,
            doc=finding.model_dump(mode="json"),
        )
        .returning(findings.c.seq)
    )
    connection.execute(insert(inbox).values(seq=row.scalar_one()))
