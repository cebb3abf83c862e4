"""The first schema."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

SEQUENCE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Create every table."""
    op.create_table(
        "analysis",
        sa.Column("skid", sa.String(length=32), nullable=False),
        sa.Column("cursor", sa.Text(), nullable=True),
        sa.Column("watermark", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("skid", name=op.f("pk_analysis")),
    )
    op.create_table(
        "answers",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("code", sa.String(length=8), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("doc", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_answers")),
    )
    op.create_index(op.f("ix_answers_state"), "answers", ["state"], unique=False)
    op.create_table(
        "entries",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("skid", sa.String(length=32), nullable=True),
        sa.Column("who", sa.String(length=128), nullable=False),
        sa.Column("doc", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_entries")),
    )
    op.create_index(op.f("ix_entries_skid"), "entries", ["skid"], unique=False)
    op.create_table(
        "findings",
        sa.Column("seq", SEQUENCE, autoincrement=True, nullable=False),
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("kind", sa.String(length=64), nullable=False),
        sa.Column("skid", sa.String(length=32), nullable=False),
        sa.Column("unit", sa.String(length=64), nullable=False),
        sa.Column("onset", sa.BigInteger(), nullable=False),
        sa.Column("detected", sa.BigInteger(), nullable=False),
        sa.Column("doc", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_findings")),
        sa.UniqueConstraint("id", "revision", name=op.f("uq_findings_id_revision")),
    )
    op.create_index("ix_findings_skid_detected", "findings", ["skid", "detected"], unique=False)
    op.create_table(
        "fleet_versions",
        sa.Column("seq", SEQUENCE, autoincrement=True, nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("effective", sa.BigInteger(), nullable=False),
        sa.Column("applied", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=128), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_fleet_versions")),
    )
    op.create_index(op.f("ix_fleet_versions_effective"), "fleet_versions", ["effective"], unique=False)
    op.create_table(
        "heartbeats",
        sa.Column("service", sa.String(length=32), nullable=False),
        sa.Column("instance", sa.String(length=64), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("doc", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("service", "instance", name=op.f("pk_heartbeats")),
    )
    op.create_table(
        "leases",
        sa.Column("name", sa.String(length=128), nullable=False),
        sa.Column("owner", sa.String(length=64), nullable=False),
        sa.Column("until", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_leases")),
    )
    op.create_table(
        "meta",
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_meta")),
    )
    op.create_table(
        "prompts",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("code", sa.String(length=8), nullable=False),
        sa.Column("state", sa.String(length=32), nullable=False),
        sa.Column("skid", sa.String(length=32), nullable=False),
        sa.Column("created", sa.BigInteger(), nullable=False),
        sa.Column("updated", sa.BigInteger(), nullable=False),
        sa.Column("doc", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_prompts")),
    )
    op.create_index(op.f("ix_prompts_code"), "prompts", ["code"], unique=False)
    op.create_index(op.f("ix_prompts_state"), "prompts", ["state"], unique=False)
    op.create_table(
        "snapshots",
        sa.Column("skid", sa.String(length=32), nullable=False),
        sa.Column("watermark", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("skid", "watermark", name=op.f("pk_snapshots")),
    )
    op.create_table(
        "deliveries",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("prompt", sa.String(length=36), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("queued", sa.BigInteger(), nullable=False),
        sa.Column("doc", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["prompt"], ["prompts.id"], name=op.f("fk_deliveries_prompt")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_deliveries")),
    )
    op.create_index(op.f("ix_deliveries_prompt"), "deliveries", ["prompt"], unique=False)
    op.create_index(op.f("ix_deliveries_state"), "deliveries", ["state"], unique=False)
    op.create_table(
        "inbox",
        sa.Column("seq", SEQUENCE, nullable=False),
        sa.ForeignKeyConstraint(["seq"], ["findings.seq"], name=op.f("fk_inbox_seq")),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_inbox")),
    )
    op.create_table(
        "prompt_findings",
        sa.Column("finding", sa.String(length=36), nullable=False),
        sa.Column("prompt", sa.String(length=36), nullable=False),
        sa.ForeignKeyConstraint(["prompt"], ["prompts.id"], name=op.f("fk_prompt_findings_prompt")),
        sa.PrimaryKeyConstraint("finding", name=op.f("pk_prompt_findings")),
    )
    op.create_index(op.f("ix_prompt_findings_prompt"), "prompt_findings", ["prompt"], unique=False)
    op.create_table(
        "transitions",
        sa.Column("seq", SEQUENCE, autoincrement=True, nullable=False),
        sa.Column("prompt", sa.String(length=36), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("doc", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["prompt"], ["prompts.id"], name=op.f("fk_transitions_prompt")),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_transitions")),
    )
    op.create_index(op.f("ix_transitions_prompt"), "transitions", ["prompt"], unique=False)


def downgrade() -> None:
    """Drop every table."""
    op.drop_index(op.f("ix_transitions_prompt"), table_name="transitions")
    op.drop_table("transitions")
    op.drop_index(op.f("ix_prompt_findings_prompt"), table_name="prompt_findings")
    op.drop_table("prompt_findings")
    op.drop_table("inbox")
    op.drop_index(op.f("ix_deliveries_state"), table_name="deliveries")
    op.drop_index(op.f("ix_deliveries_prompt"), table_name="deliveries")
    op.drop_table("deliveries")
    op.drop_table("snapshots")
    op.drop_index(op.f("ix_prompts_state"), table_name="prompts")
    op.drop_index(op.f("ix_prompts_code"), table_name="prompts")
    op.drop_table("prompts")
    op.drop_table("meta")
    op.drop_table("leases")
    op.drop_table("heartbeats")
    op.drop_index(op.f("ix_fleet_versions_effective"), table_name="fleet_versions")
    op.drop_table("fleet_versions")
    op.drop_index("ix_findings_skid_detected", table_name="findings")
    op.drop_table("findings")
    op.drop_index(op.f("ix_entries_skid"), table_name="entries")
    op.drop_table("entries")
    op.drop_index(op.f("ix_answers_state"), table_name="answers")
    op.drop_table("answers")
    op.drop_table("analysis")
