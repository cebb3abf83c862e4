"""Board: users, sessions, tokens, audit."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

SEQUENCE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Create the board's tables."""
    op.create_table(
        "users",
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("role", sa.String(length=16), nullable=False),
        sa.Column("sites", sa.JSON(), nullable=True),
        sa.Column("person", sa.String(length=32), nullable=True),
        sa.Column("password", sa.Text(), nullable=True),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("created", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_users")),
    )
    op.create_table(
        "sessions",
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.Column("user", sa.String(length=64), nullable=False),
        sa.Column("csrf", sa.String(length=64), nullable=False),
        sa.Column("expires", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["user"], ["users.name"], name=op.f("fk_sessions_user")),
        sa.PrimaryKeyConstraint("hash", name=op.f("pk_sessions")),
    )
    op.create_index(op.f("ix_sessions_user"), "sessions", ["user"], unique=False)
    op.create_table(
        "links",
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.Column("user", sa.String(length=64), nullable=True),
        sa.Column("expires", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("hash", name=op.f("pk_links")),
    )
    op.create_table(
        "tokens",
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("role", sa.String(length=16), nullable=False),
        sa.Column("sites", sa.JSON(), nullable=True),
        sa.Column("made_by", sa.String(length=64), nullable=False),
        sa.Column("created", sa.BigInteger(), nullable=False),
        sa.Column("expires", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("hash", name=op.f("pk_tokens")),
        sa.UniqueConstraint("name", name=op.f("uq_tokens_name")),
    )
    op.create_table(
        "audit",
        sa.Column("seq", SEQUENCE, autoincrement=True, nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=128), nullable=False),
        sa.Column("client", sa.String(length=64), nullable=False),
        sa.Column("what", sa.String(length=128), nullable=False),
        sa.Column("detail", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_audit")),
    )
    op.create_index(op.f("ix_audit_at"), "audit", ["at"], unique=False)
