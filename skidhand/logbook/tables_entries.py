"""The table of statements: reports that were sent."""

from __future__ import annotations

from sqlalchemy import JSON, Column, Integer, String, Table

from skidhand.logbook.tables import Moment, metadata

statements = Table(
    "statements",
    metadata,
    Column("key", String(128), primary_key=True),  # subject and period
    Column("number", Integer, primary_key=True),  # 0: as first sent; then its corrections
    Column("issued", Moment, nullable=False),
    Column("doc", JSON, nullable=False),
)
