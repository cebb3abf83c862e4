"""Heartbeats, leases, the announced clock, and fleet versions: how services know of each other."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from functools import lru_cache

from sqlalchemy import delete, insert, select, update

from skidhand.clock import WallClock
from skidhand.fleet import FleetVersion, parse_fleet
from skidhand.logbook.database import Database
from skidhand.logbook.tables import fleet_versions, heartbeats, leases, meta
from skidhand.model.heartbeat import Heartbeat
from skidhand.model.samples import micros, moment


class HeartbeatBook:
    """Signs of life, one row per service and instance."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def beat(self, heartbeat: Heartbeat) -> None:
        """Replace the row of this service and instance."""
        mine = (heartbeats.c.service == heartbeat.service, heartbeats.c.instance == heartbeat.instance)
        values = {"at": heartbeat.at, "doc": heartbeat.model_dump(mode="json")}
        with self._db.write() as connection:
            if connection.execute(update(heartbeats).where(*mine).values(values)).rowcount == 0:
                row = {"service": heartbeat.service, "instance": heartbeat.instance, **values}
                connection.execute(insert(heartbeats).values(row))

    def all(self) -> list[Heartbeat]:
        """Every row, by service and instance."""
        query = select(heartbeats.c.doc).order_by(heartbeats.c.service, heartbeats.c.instance)
        with self._db.read() as connection:
            return [Heartbeat.model_validate(doc) for doc in connection.execute(query).scalars()]


class LeaseBook:
    """Who may do what only one may do. Leases run on wall time, whatever the stream's clock says."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def take(self, name: str, owner: str, seconds: float = 60.0) -> bool:
        """Take or renew the lease; False while another owner's has not run out."""
        return name in self.take_all([name], owner, seconds)

    def take_all(self, names: Iterable[str], owner: str, seconds: float = 60.0) -> set[str]:
        """Take or renew each of ``names`` in one transaction; those that are ``owner``'s now."""
        now = WallClock().now()
        until = now + timedelta(seconds=seconds)
        taken = set()
        with self._db.write() as connection:
            for name in names:
                row = connection.execute(select(leases).where(leases.c.name == name)).one_or_none()
                if row is None:
                    connection.execute(insert(leases).values(name=name, owner=owner, until=until))
                elif row.owner == owner or row.until <= now:
                    connection.execute(update(leases).where(leases.c.name == name).values(owner=owner, until=until))
                else:
                    continue
                taken.add(name)
        return taken

    def release(self, name: str, owner: str) -> None:
        """Give the lease back if ``owner`` holds it."""
        self.release_all([name], owner)

    def release_all(self, names: Iterable[str], owner: str) -> None:
        """Give those of ``names`` back that ``owner`` holds, in one transaction."""
        with self._db.write() as connection:
            for name in names:
                connection.execute(delete(leases).where(leases.c.name == name, leases.c.owner == owner))


class ClockBook:
    """The time that a demo's or replay's publisher has announced, once all before it is in the store."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def announced(self) -> datetime | None:
        """The highest announced time, or None."""
        with self._db.read() as connection:
            value = connection.execute(select(meta.c.value).where(meta.c.key == "announced")).scalar()
        return None if value is None else moment(int(value))

    def announce(self, now: datetime) -> None:
        """Move on to ``now``; an earlier time changes nothing."""
        with self._db.write() as connection:
            value = connection.execute(select(meta.c.value).where(meta.c.key == "announced")).scalar()
            if value is None:
                connection.execute(insert(meta).values(key="announced", value=str(micros(now))))
            elif int(value) < micros(now):
                connection.execute(update(meta).where(meta.c.key == "announced").values(value=str(micros(now))))


class FleetBook:
    """Fleet versions with the time from which each is in effect."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def apply(self, version: FleetVersion, *, effective: datetime, who: str) -> bool:
        """Put ``version`` in force from ``effective`` on; False when it is the newest already."""
        with self._db.write() as connection:
            newest = connection.execute(
                select(fleet_versions.c.digest).order_by(fleet_versions.c.seq.desc()).limit(1)
            ).scalar()
            if newest == version.digest:
                return False
            connection.execute(
                insert(fleet_versions).values(
                    digest=version.digest,
                    effective=effective,
                    applied=WallClock().now(),
                    who=who,
                    text=version.text,
                )
            )
        return True

    def current(self) -> FleetVersion | None:
        """The newest version, or None when none was applied."""
        versions = self.versions()
        return versions[-1][1] if versions else None

    def digest(self) -> str | None:
        """The newest version's name: cheap to ask whether :meth:`current` must be read again."""
        query = select(fleet_versions.c.digest).order_by(fleet_versions.c.seq.desc()).limit(1)
        with self._db.read() as connection:
            return connection.execute(query).scalar()

    def versions(self) -> list[tuple[datetime, FleetVersion]]:
        """(effective from, version), in the order in which they were applied."""
        with self._db.read() as connection:
            rows = connection.execute(select(fleet_versions).order_by(fleet_versions.c.seq)).all()
        return [(row.effective, _parsed(row.text, row.digest)) for row in rows]


@lru_cache(maxsize=64)
def _parsed(text: str, digest: str) -> FleetVersion:
    """The version of that text; services ask on every cycle, and reading a large file takes seconds."""
    return parse_fleet(text, f"fleet version {digest[:12]}")
