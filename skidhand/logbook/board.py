"""Users, sessions, links, tokens and the audit of the board. Secrets are kept as hashes only.

All times are wall time: these rows guard people's access, whatever a stream's clock says.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import delete, func, insert, select, update

from skidhand.clock import WallClock
from skidhand.errors import NotFoundError, UserError
from skidhand.logbook.database import Database, column_text
from skidhand.logbook.tables_board import audit, links, sessions, tokens, users

SESSION: Final = timedelta(hours=12)  # a shift
LINK: Final = timedelta(hours=24)


@dataclass(frozen=True, slots=True)
class User:
    """Somebody who may sign in. ``sites`` None means every site; ``person`` is their id on the roster."""

    name: str
    role: str
    sites: tuple[str, ...] | None
    person: str | None
    password: str | None
    active: bool


@dataclass(frozen=True, slots=True)
class Session:
    """A user who signed in, and the secret that every form of theirs carries."""

    user: User
    csrf: str


@dataclass(frozen=True, slots=True)
class Token:
    """A machine's key, without the key."""

    name: str
    role: str
    sites: tuple[str, ...] | None
    made_by: str
    created: datetime
    expires: datetime | None


@dataclass(frozen=True, slots=True)
class AuditRow:
    """One write: when, by whom, from where, what, and its parameters."""

    at: datetime
    who: str
    client: str
    what: str
    detail: dict[str, Any]


def hashed(secret: str) -> str:
    """SHA-256 in hex: enough for secrets of 256 random bits, which nobody can guess through."""
    return hashlib.sha256(secret.encode()).hexdigest()


class UserBook:
    """Who may use the board."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def any(self) -> bool:
        """True when there is an active user who has a password."""
        query = select(func.count()).select_from(users).where(users.c.active, users.c.password.is_not(None))
        with self._db.read() as connection:
            return connection.execute(query).scalar_one() > 0

    def all(self) -> list[User]:
        """Every user, by name."""
        with self._db.read() as connection:
            return [_user(row) for row in connection.execute(select(users).order_by(users.c.name))]

    def get(self, name: str) -> User | None:
        """The user of that name."""
        if column_text(name) != name:
            return None
        with self._db.read() as connection:
            row = connection.execute(select(users).where(users.c.name == name)).one_or_none()
        return None if row is None else _user(row)

    def add(self, name: str, role: str, sites: Sequence[str] | None, person: str | None = None) -> None:
        """A user who has no password yet (see :meth:`invite`); UserError when the name is taken."""
        row = {"name": name, "role": role, "sites": _listed(sites), "person": person, "active": True}
        if self.get(name) is not None:
            raise UserError(f"there is a user {name!r} already")
        with self._db.write() as connection:
            connection.execute(insert(users).values(**row, created=WallClock().now()))

    def change(self, name: str, *, role: str, sites: Sequence[str] | None, person: str | None, active: bool) -> None:
        """Replace what a user may; their sessions end. NotFoundError when there is no such user."""
        values = {"role": role, "sites": _listed(sites), "person": person, "active": active}
        with self._db.write() as connection:
            if connection.execute(update(users).where(users.c.name == name).values(values)).rowcount == 0:
                raise NotFoundError(f"there is no user {name!r}")
            connection.execute(delete(sessions).where(sessions.c.user == name))

    def set_password(self, name: str, password: str) -> None:
        """Replace the argon2 hash; the user's sessions end."""
        with self._db.write() as connection:
            connection.execute(update(users).where(users.c.name == name).values(password=password))
            connection.execute(delete(sessions).where(sessions.c.user == name))

    def invite(self, name: str | None) -> str:
        """The secret of a link that sets ``name``'s password once; None: that makes the first user.

        An earlier link for the same name is dead from now on.
        """
        secret = secrets.token_urlsafe(32)
        mine = links.c.user.is_(None) if name is None else links.c.user == name
        with self._db.write() as connection:
            connection.execute(delete(links).where(mine))
            connection.execute(insert(links).values(hash=hashed(secret), user=name, expires=WallClock().now() + LINK))
        return secret

    def invited(self, secret: str) -> tuple[str | None] | None:
        """Whose link this is, as (name,) or (None,) for the first user's; None when it is none or too old."""
        query = select(links.c.user).where(links.c.hash == hashed(secret), links.c.expires > WallClock().now())
        with self._db.read() as connection:
            row = connection.execute(query).one_or_none()
        return None if row is None else (row.user,)

    def redeem(self, secret: str) -> bool:
        """Use the link up; False when somebody was first."""
        with self._db.write() as connection:
            return connection.execute(delete(links).where(links.c.hash == hashed(secret))).rowcount == 1


class SessionBook:
    """Who is signed in, and machines' tokens."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def begin(self, user: str) -> str:
        """Sign ``user`` in: the secret for their cookie. Sessions that have run out are dropped."""
        secret, now = secrets.token_urlsafe(32), WallClock().now()
        row = {"hash": hashed(secret), "user": user, "csrf": secrets.token_urlsafe(32), "expires": now + SESSION}
        with self._db.write() as connection:
            connection.execute(delete(sessions).where(sessions.c.expires <= now))
            connection.execute(insert(sessions).values(row))
        return secret

    def get(self, secret: str) -> Session | None:
        """The session of a cookie; None when it has run out or the user is not active."""
        query = select(users, sessions.c.csrf).join(sessions, sessions.c.user == users.c.name)
        query = query.where(sessions.c.hash == hashed(secret), sessions.c.expires > WallClock().now(), users.c.active)
        with self._db.read() as connection:
            row = connection.execute(query).one_or_none()
        return None if row is None else Session(_user(row), row.csrf)

    def end(self, secret: str) -> None:
        """Sign out."""
        with self._db.write() as connection:
            connection.execute(delete(sessions).where(sessions.c.hash == hashed(secret)))

    def add_token(
        self, name: str, role: str, sites: Sequence[str] | None, made_by: str, days: int | None = None
    ) -> str:
        """A new machine token, told this once; UserError when the name is taken."""
        secret, now = "skh_" + secrets.token_urlsafe(32), WallClock().now()
        row = {"hash": hashed(secret), "name": name, "role": role, "sites": _listed(sites), "made_by": made_by}
        expires = None if days is None else now + timedelta(days=days)
        if any(token.name == name for token in self.tokens()):
            raise UserError(f"there is a token {name!r} already")
        with self._db.write() as connection:
            connection.execute(insert(tokens).values(**row, created=now, expires=expires))
        return secret

    def token(self, secret: str) -> Token | None:
        """The token of that secret, unless it has run out."""
        with self._db.read() as connection:
            row = connection.execute(select(tokens).where(tokens.c.hash == hashed(secret))).one_or_none()
        return None if row is None or (row.expires and row.expires <= WallClock().now()) else _token(row)

    def tokens(self) -> list[Token]:
        """Every token, by name."""
        with self._db.read() as connection:
            return [_token(row) for row in connection.execute(select(tokens).order_by(tokens.c.name))]

    def drop_token(self, name: str) -> None:
        """Revoke a token."""
        with self._db.write() as connection:
            connection.execute(delete(tokens).where(tokens.c.name == name))


class AuditBook:
    """What was written through the board; rows are only ever added."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def add(self, who: str, client: str, what: str, **detail: Any) -> None:
        """Write a row. LogbookError when it cannot be written, so that nothing goes on unseen."""
        named = {"who": who[:128], "client": client[:64], "what": what[:128]}
        row = {"at": WallClock().now(), **{name: column_text(text) for name, text in named.items()}}
        with self._db.write() as connection:
            connection.execute(insert(audit).values(**row, detail=detail))

    def newest(self, limit: int = 200) -> list[AuditRow]:
        """The last rows, newest first."""
        with self._db.read() as connection:
            rows = connection.execute(select(audit).order_by(audit.c.seq.desc()).limit(limit)).all()
        return [AuditRow(row.at, row.who, row.client, row.what, row.detail) for row in rows]


def _listed(sites: Sequence[str] | None) -> list[str] | None:
    return None if sites is None else sorted(sites)


def _user(row: Any) -> User:
    return User(row.name, row.role, _tuple(row.sites), row.person, row.password, row.active)


def _token(row: Any) -> Token:
    return Token(row.name, row.role, _tuple(row.sites), row.made_by, row.created, row.expires)


def _tuple(sites: list[str] | None) -> tuple[str, ...] | None:
    return None if sites is None else tuple(sites)
