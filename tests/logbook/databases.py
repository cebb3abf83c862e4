"""Where a test's logbook lives: a file of its own, or a database of its own on a real PostgreSQL server."""

from __future__ import annotations

import os
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import create_engine, make_url, text

VARIABLE = "SKIDHAND_TEST_POSTGRES"
"""URL of a server on which databases may be made, such as ``postgresql+psycopg://postgres@localhost/postgres``."""

KINDS = ("sqlite", "postgresql")


@contextmanager
def database(kind: str, folder: Path) -> Iterator[str]:
    """The URL of an empty database of ``kind``; skips the test where there is no server."""
    if kind == "sqlite":
        yield str(folder / "logbook.sqlite")
        return
    server = os.environ.get(VARIABLE)
    if not server:
        pytest.skip(f"no PostgreSQL to try: set {VARIABLE} to a server's URL")
    name = f"skidhand_{uuid.uuid4().hex[:12]}"
    engine = create_engine(server, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    try:
        yield make_url(server).set(database=name).render_as_string(hide_password=False)
    finally:
        with engine.connect() as connection:
            connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
        engine.dispose()
