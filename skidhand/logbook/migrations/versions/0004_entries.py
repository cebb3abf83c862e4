"""Entries of people: what a search looks at; statements and their postings."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Change the tables."""
    op.add_column("entries", sa.Column("words", sa.Text(), nullable=False, server_default=""))
    op.create_index(op.f("ix_entries_at"), "entries", ["at"], unique=False)
    op.create_table(
        "statements",
        sa.Column("key", sa.String(length=128), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("issued", sa.BigInteger(), nullable=False),
        sa.Column("doc", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("key", "number", name=op.f("pk_statements")),
    )
    op.create_table(
        "postings",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("subject", sa.String(length=64), nullable=False),
        sa.Column("period", sa.String(length=16), nullable=False),
        sa.Column("person", sa.String(length=64), nullable=False),
        sa.Column("customer", sa.Boolean(), nullable=False),
        sa.Column("due", sa.BigInteger(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=True),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("sent", sa.BigInteger(), nullable=True),
        sa.Column("error", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_postings")),
    )
    op.create_index(op.f("ix_postings_state"), "postings", ["state"], unique=False)
