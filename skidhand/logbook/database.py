"""Opens the logbook's database, brings a new one to the current schema, and guards clock and schema."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import alembic.command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, create_engine, event, insert, make_url, select
from sqlalchemy.exc import IntegrityError as DuplicateError
from sqlalchemy.exc import SQLAlchemyError

from skidhand.clock import ClockKind
from skidhand.errors import ClockMismatchError, LogbookError, SchemaError, SettingsError
from skidhand.logbook.tables import meta

SCRIPTS: Final = Path(__file__).parent / "migrations"
BUSY_SECONDS: Final = 30.0
"""A write waits so long for SQLite's one lock, then it is an outage (LogbookError). Writers hold it below a second."""
_creating: Final = threading.Lock()


class Database:
    """Connections with our rules: SQLite in WAL mode with full sync, writes begun as writes.

    ``url`` is an SQLAlchemy URL, or a path that becomes an SQLite file. Raises LogbookError when the
    database is away, SchemaError when it was written by another version of this program.
    """

    def __init__(self, url: str) -> None:
        if "://" not in url:
            Path(url).expanduser().absolute().parent.mkdir(parents=True, exist_ok=True)
            url = f"sqlite:///{Path(url).expanduser().absolute()}"
        try:
            self.engine = _engine(url)
        except (SQLAlchemyError, ModuleNotFoundError, ValueError) as error:  # ValueError: a port that is no number
            raise SettingsError(
                f"logbook URL {_shown(url)!r} cannot be used: {error}; try a path or 'postgresql+psycopg://…'"
            ) from error
        try:
            self._migrate()
        except BaseException:
            self.engine.dispose()  # nobody gets this object, so nobody else could close it
            raise

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A connection that only reads."""
        with translated(), self.engine.connect() as connection:
            yield connection

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """One transaction; committed at the end, rolled back on any error."""
        with translated(), self.engine.execution_options(skidhand_write=True).begin() as connection:
            yield connection

    def clock_kind(self) -> str | None:
        """This logbook's kind of clock, or None while it is not fixed."""
        with self.read() as connection:
            return connection.execute(select(meta.c.value).where(meta.c.key == "clock")).scalar()

    def guard_clock(self, kind: ClockKind) -> None:
        """Fix this logbook's kind of clock for life; ClockMismatchError when it has the other one."""
        try:
            with self.write() as connection:
                row = connection.execute(select(meta.c.value).where(meta.c.key == "clock")).scalar()
                if row is None:
                    connection.execute(insert(meta).values(key="clock", value=kind))
        except LogbookError as error:
            if not isinstance(error.__cause__, DuplicateError):
                raise
            return self.guard_clock(kind)  # another process fixed it between our look and our row
        if row is not None and row != kind:
            raise ClockMismatchError(
                f"this logbook keeps {row} time and would be mixed with {kind} time; use another logbook and store"
            )
        return None

    def close(self) -> None:
        """Let go of all connections."""
        self.engine.dispose()

    def _migrate(self) -> None:
        config = Config()
        config.set_main_option("script_location", str(SCRIPTS))
        newest = ScriptDirectory.from_config(config).get_current_head()
        # Alembic keeps its context in module globals, so two threads of one process take turns.
        with _creating, translated(), self.engine.execution_options(skidhand_write=True).begin() as connection:
            found = MigrationContext.configure(connection).get_current_revision()
            if found is None:
                config.attributes["connection"] = connection
                alembic.command.upgrade(config, "head")
            elif found != newest:
                raise SchemaError(
                    f"the logbook's schema is {found!r} and this program's is {newest!r}; "
                    "run the program version that wrote it, or upgrade the logbook first"
                )


@contextmanager
def translated() -> Iterator[None]:
    """SQLAlchemy's errors become LogbookError, chained."""
    try:
        yield
    except SQLAlchemyError as error:
        raise LogbookError(f"the logbook failed: {error.__class__.__name__}: {error}") from error


def _shown(url: str) -> str:
    """``url`` as it may stand in a message: without its password."""
    try:
        return make_url(url).render_as_string(hide_password=True)
    except (SQLAlchemyError, ValueError):
        return f"{url.partition('://')[0]}://…"  # what cannot be read may hold a password anywhere


def _engine(url: str) -> Engine:
    if make_url(url).get_backend_name() != "sqlite":
        return create_engine(url, pool_pre_ping=True)
    engine = create_engine(url, connect_args={"timeout": BUSY_SECONDS, "check_same_thread": False})

    @event.listens_for(engine, "connect")
    def _settings(connection: Any, _record: Any) -> None:
        # Transactions are begun by us below; the driver's own implicit BEGIN would make a read
        # turn into a write half-way, which SQLite answers with "database is locked" at once.
        connection.isolation_level = None
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("skidhand_write", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def column_text(text: str) -> str:
    """What a text column can hold of whatever somebody typed: PostgreSQL takes no NUL. A JSON document keeps it."""
    return text.replace("\x00", "")
