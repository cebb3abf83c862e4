"""Analysis: what the detectors need beyond the first schema."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Change the tables."""
    op.add_column("analysis", sa.Column("watched", sa.JSON(), nullable=True))
