"""Alembic's entry: runs the migrations on the connection that the caller hands over."""

from __future__ import annotations

from alembic import context

from skidhand.logbook.tables import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata)
context.run_migrations()
