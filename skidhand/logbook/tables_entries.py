"""The tables of reports that were sent: statements, and who gets them."""

from __future__ import annotations

from sqlalchemy import JSON, Boolean, Column, Integer, String, Table, Text

from skidhand.logbook.tables import Moment, metadata

statements = Table(
    "statements",
    metadata,
    Column("key", String(128), primary_key=True),  # subject and period
    Column("number", Integer, primary_key=True),  # 0: as first sent; then its corrections
    Column("issued", Moment, nullable=False),
    Column("doc", JSON, nullable=False),
)

postings = Table(
    "postings",
    metadata,
    Column("id", String(36), primary_key=True),  # of subject, period and person
    Column("subject", String(64), nullable=False),
    Column("period", String(16), nullable=False),
    Column("person", String(64), nullable=False),
    Column("customer", Boolean, nullable=False),
    Column("due", Moment, nullable=False),
    Column("number", Integer),  # the statement's; none as long as there is none
    Column("state", String(16), nullable=False, index=True),
    Column("attempts", Integer, nullable=False),
    Column("sent", Moment),
    Column("error", Text, nullable=False),
)
