"""The board's own tables: who may use it, and what was written through it. Times here are wall time."""

from __future__ import annotations

from typing import Final

from sqlalchemy import JSON, Boolean, Column, ForeignKey, String, Table, Text

from skidhand.logbook.tables import Moment, Sequence, metadata

NAME: Final = 64
HASH: Final = 64  # SHA-256 in hex

users = Table(
    "users",
    metadata,
    Column("name", String(NAME), primary_key=True),
    Column("role", String(16), nullable=False),
    Column("sites", JSON),  # null: every site
    Column("person", String(32)),  # whom the roster knows this user as
    Column("password", Text),  # argon2; null until the user has set one
    Column("active", Boolean, nullable=False),
    Column("created", Moment, nullable=False),
)

sessions = Table(
    "sessions",
    metadata,
    Column("hash", String(HASH), primary_key=True),
    Column("user", ForeignKey("users.name"), nullable=False, index=True),
    Column("csrf", String(HASH), nullable=False),
    Column("expires", Moment, nullable=False),
)

# A link that lets its holder set a password, once. Without a user it makes the first one.
links = Table(
    "links",
    metadata,
    Column("hash", String(HASH), primary_key=True),
    Column("user", String(NAME)),
    Column("expires", Moment, nullable=False),
)

tokens = Table(
    "tokens",
    metadata,
    Column("hash", String(HASH), primary_key=True),
    Column("name", String(NAME), nullable=False, unique=True),
    Column("role", String(16), nullable=False),
    Column("sites", JSON),
    Column("made_by", String(NAME), nullable=False),
    Column("created", Moment, nullable=False),
    Column("expires", Moment),
)

audit = Table(
    "audit",
    metadata,
    Column("seq", Sequence, primary_key=True, autoincrement=True),
    Column("at", Moment, nullable=False, index=True),
    Column("who", String(128), nullable=False),
    Column("client", String(64), nullable=False),
    Column("what", String(128), nullable=False),
    Column("detail", JSON, nullable=False),
)
