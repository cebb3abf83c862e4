"""Where a test's logbook lives: a file of its own, or a database of its own on a real PostgreSQL server."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

from sqlalchemy import create_engine, make_url, text

from skidhand.logbook import Logbook
from tests.support import postgres

KINDS = ("sqlite", "postgresql")


@cache
def _template(server: str) -> str:
    """A database that the migrations have built; a copy of it is much quicker than building each anew."""
    name = f"skidhand_template_{uuid.uuid4().hex[:12]}"
    engine = create_engine(server, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    engine.dispose()
    Logbook(_at(server, name)).close()
    return name


def _at(server: str, name: str) -> str:
    return make_url(server).set(database=name).render_as_string(hide_password=False)


@contextmanager
def database(kind: str, folder: Path) -> Iterator[str]:
    """The URL of a new logbook's database of ``kind``."""
    if kind == "sqlite":
        yield str(folder / "logbook.sqlite")
        return
    server = postgres.server()
    name = f"skidhand_{uuid.uuid4().hex[:12]}"
    engine = create_engine(server, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name} TEMPLATE {_template(server)}"))
    try:
        yield _at(server, name)
    finally:
        with engine.connect() as connection:
            connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
        engine.dispose()
