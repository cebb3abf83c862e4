"""Prompts: when to look again, who was sent what and when, receipts, and work that puts a skid out of service."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Change the tables."""
    op.add_column("prompts", sa.Column("wake_at", sa.BigInteger(), nullable=True))
    op.add_column("prompts", sa.Column("head", sa.String(length=64), nullable=False, server_default=""))
    op.create_index(op.f("ix_prompts_wake_at"), "prompts", ["wake_at"])
    for name, size in (("person", 64), ("channel", 64)):
        op.add_column("deliveries", sa.Column(name, sa.String(length=size), nullable=False, server_default=""))
    op.add_column("deliveries", sa.Column("sent", sa.BigInteger(), nullable=True))
    op.add_column("deliveries", sa.Column("reference", sa.String(length=128), nullable=True))
    op.create_index(op.f("ix_deliveries_reference"), "deliveries", ["reference"])
    op.create_index("ix_deliveries_person_sent", "deliveries", ["person", "sent"])
    op.create_table(
        "work",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("skid", sa.String(length=32), nullable=False),
        sa.Column("open", sa.Boolean(), nullable=False),
        sa.Column("doc", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_work")),
    )
    op.create_index(op.f("ix_work_open"), "work", ["open"])
