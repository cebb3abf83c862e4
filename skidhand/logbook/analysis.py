"""Findings, detector states, cursor and snapshots: what analytics commits in one transaction."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from sqlalchemy import Connection, and_, delete, func, insert, select, update

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


@dataclass(frozen=True, slots=True)
class Worked:
    """What must be written of one skid together. ``watched``: what the memory says of itself, None for a skid
    that stands nowhere. ``rewound_to`` drops the snapshots after that time first; with new ones in
    ``snapshots_at``, those before ``keep_snapshots_from`` go.
    """

    standing: Standing
    changed: Sequence[Finding] = ()
    watched: Watched | None = None
    snapshots_at: Sequence[tuple[datetime, bytes]] = ()
    rewound_to: datetime | None = None
    keep_snapshots_from: datetime | None = None


class AnalysisBook:
    """Reads and writes of analytics."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def standings(self, skids: Collection[str] | None = None) -> dict[str, Standing]:
        """Where the analysis stands of every skid (of ``skids``) that has begun, by skid, in one query."""
        query = select(analysis) if skids is None else select(analysis).where(analysis.c.skid.in_(skids))
        with self._db.read() as connection:
            rows = connection.execute(query).all()
        return {row.skid: Standing(row.skid, row.cursor, row.watermark, row.state) for row in rows}

    def commit(self, *worked: Worked, owner: str) -> dict[str, str]:
        """Findings, memory, cursor and snapshots of the skids, all or nothing.

        A skid whose lease ``analyze:<skid>`` is not ``owner``'s is left out; returned is who holds it ("" nobody).
        """
        with self._db.write() as connection:
            lost = _lost(connection, [one.standing.skid for one in worked], owner)
            for one in worked:
                if one.standing.skid not in lost:
                    _write(connection, one)
        return lost

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


def _lost(connection: Connection, skids: Sequence[str], owner: str) -> dict[str, str]:
    """Of ``skids`` those that others hold, or nobody; the leases stay as they are until the transaction ends."""
    names = sorted({f"analyze:{skid}" for skid in skids})
    query = select(leases.c.name, leases.c.owner).where(leases.c.name.in_(names)).order_by(leases.c.name)
    holders = {row.name: row.owner for row in connection.execute(query.with_for_update())}
    found = {skid: holders.get(f"analyze:{skid}", "") for skid in skids}
    return {skid: holder for skid, holder in found.items() if holder != owner}


def _write(connection: Connection, worked: Worked) -> None:
    skid, states = worked.standing.skid, worked.snapshots_at
    if worked.rewound_to is not None:
        connection.execute(delete(snapshots).where(snapshots.c.skid == skid, snapshots.c.watermark > worked.rewound_to))
    if states and worked.keep_snapshots_from is not None:
        connection.execute(
            delete(snapshots).where(snapshots.c.skid == skid, snapshots.c.watermark < worked.keep_snapshots_from)
        )
    for watermark, state in states:
        connection.execute(insert(snapshots).values(skid=skid, watermark=watermark, state=state))
    values = {
        "cursor": worked.standing.cursor,
        "watermark": worked.standing.watermark,
        "state": worked.standing.state,
        "watched": None if worked.watched is None else worked.watched.model_dump(mode="json"),
    }
    if connection.execute(update(analysis).where(analysis.c.skid == skid).values(values)).rowcount == 0:
        connection.execute(insert(analysis).values(skid=skid, **values))
    for finding in worked.changed:
        _append(connection, finding)


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
