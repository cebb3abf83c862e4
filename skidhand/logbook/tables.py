"""The logbook's tables. Times are microseconds since the Unix epoch in a BIGINT, aware UTC in Python.

What has a shape of its own is kept whole as JSON in ``doc`` (a model of skidhand.model), beside the
columns that queries need.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Dialect,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
)

from skidhand.model.samples import micros, moment


class Moment(TypeDecorator[datetime]):
    """An aware datetime as microseconds since the epoch: exact, and the same on every database."""

    impl = BigInteger
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> Any:  # noqa: ARG002
        """To the database."""
        return None if value is None else micros(value)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """From the database."""
        return None if value is None else moment(int(value))


# SQLite counts rows only in an INTEGER primary key.
Sequence = BigInteger().with_variant(Integer(), "sqlite")

metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    }
)

meta = Table("meta", metadata, Column("key", String(64), primary_key=True), Column("value", Text, nullable=False))

fleet_versions = Table(
    "fleet_versions",
    metadata,
    Column("seq", Sequence, primary_key=True, autoincrement=True),
    Column("digest", String(64), nullable=False),
    Column("effective", Moment, nullable=False, index=True),
    Column("applied", Moment, nullable=False),
    Column("who", String(128), nullable=False),
    Column("text", Text, nullable=False),
)

findings = Table(
    "findings",
    metadata,
    Column("seq", Sequence, primary_key=True, autoincrement=True),
    Column("id", String(36), nullable=False),
    Column("revision", Integer, nullable=False),
    Column("state", String(16), nullable=False),
    Column("kind", String(64), nullable=False),
    Column("skid", String(32), nullable=False),
    Column("unit", String(64), nullable=False),
    Column("onset", Moment, nullable=False),
    Column("detected", Moment, nullable=False),
    Column("doc", JSON, nullable=False),
    UniqueConstraint("id", "revision"),
    Index("ix_findings_skid_detected", "skid", "detected"),
)

# Findings that alerts has not worked in yet; written with the finding, deleted with the prompt's change.
inbox = Table("inbox", metadata, Column("seq", ForeignKey("findings.seq"), primary_key=True))

# One row a skid: everything that analytics must remember, committed with the findings that follow from it.
analysis = Table(
    "analysis",
    metadata,
    Column("skid", String(32), primary_key=True),
    Column("cursor", Text),
    Column("watermark", Moment, nullable=False),
    Column("state", LargeBinary, nullable=False),
    Column("watched", JSON(none_as_null=True)),  # what the memory says of itself
)

snapshots = Table(
    "snapshots",
    metadata,
    Column("skid", String(32), primary_key=True),
    Column("watermark", Moment, primary_key=True),
    Column("state", LargeBinary, nullable=False),
)

prompts = Table(
    "prompts",
    metadata,
    Column("id", String(36), primary_key=True),
    Column("code", String(8), nullable=False, index=True),
    Column("state", String(32), nullable=False, index=True),
    Column("skid", String(32), nullable=False),
    Column("created", Moment, nullable=False),
    Column("updated", Moment, nullable=False),
    Column("wake_at", Moment, index=True),
    Column("head", String(64), nullable=False, server_default=""),
    Column("doc", JSON, nullable=False),
)

prompt_findings = Table(
    "prompt_findings",
    metadata,
    Column("finding", String(36), primary_key=True),
    Column("prompt", ForeignKey("prompts.id"), nullable=False, index=True),
)

transitions = Table(
    "transitions",
    metadata,
    Column("seq", Sequence, primary_key=True, autoincrement=True),
    Column("prompt", ForeignKey("prompts.id"), nullable=False, index=True),
    Column("at", Moment, nullable=False),
    Column("doc", JSON, nullable=False),
)

deliveries = Table(
    "deliveries",
    metadata,
    Column("id", String(36), primary_key=True),
    Column("prompt", ForeignKey("prompts.id"), nullable=False, index=True),
    Column("state", String(16), nullable=False, index=True),
    Column("queued", Moment, nullable=False),
    Column("person", String(64), nullable=False, server_default=""),
    Column("channel", String(64), nullable=False, server_default=""),
    Column("sent", Moment),
    Column("reference", String(128), index=True),
    Column("doc", JSON, nullable=False),
    Index("ix_deliveries_person_sent", "person", "sent"),
)

# Skids and units out of service: anybody adds one, alerts alone marks it asked or ended.
work = Table(
    "work",
    metadata,
    Column("id", String(36), primary_key=True),
    Column("skid", String(32), nullable=False),
    Column("open", Boolean, nullable=False, index=True),
    Column("doc", JSON, nullable=False),
)

answers = Table(
    "answers",
    metadata,
    Column("id", String(36), primary_key=True),
    Column("at", Moment, nullable=False),
    Column("code", String(8), nullable=False),
    Column("state", String(16), nullable=False, index=True),
    Column("doc", JSON, nullable=False),
)

heartbeats = Table(
    "heartbeats",
    metadata,
    Column("service", String(32), primary_key=True),
    Column("instance", String(64), primary_key=True),
    Column("at", Moment, nullable=False),
    Column("doc", JSON, nullable=False),
)

leases = Table(
    "leases",
    metadata,
    Column("name", String(128), primary_key=True),
    Column("owner", String(64), nullable=False),
    Column("until", Moment, nullable=False),
)

entries = Table(
    "entries",
    metadata,
    Column("id", String(36), primary_key=True),
    Column("at", Moment, nullable=False, index=True),
    Column("kind", String(32), nullable=False),
    Column("skid", String(32), index=True),
    Column("who", String(128), nullable=False),
    Column("words", Text, nullable=False, server_default=""),  # what a search looks at, in small letters
    Column("doc", JSON, nullable=False),
)
