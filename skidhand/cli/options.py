"""Options that several commands share, and the settings that follow from them.

Rooms and heavy libraries are imported inside commands, never at the top of a module here: ``skidhand
--help`` must not load pandas.
"""

from __future__ import annotations

import getpass
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from skidhand.errors import NotFoundError, UserError

if TYPE_CHECKING:
    from skidhand.clock import Clock
    from skidhand.fleet import FleetVersion
    from skidhand.logbook import Logbook
    from skidhand.settings import Settings
    from skidhand.stores.base import Store


_ADDRESS: Final = re.compile(r"(\[(?P<bracketed>[^\[\]]+)\]|(?P<host>[^:\[\]]+))(:(?P<port>[0-9]{1,5}))?")


class Format(StrEnum):
    """How data is printed."""

    TABLE = "table"
    JSON = "json"
    CSV = "csv"
    PARQUET = "parquet"


SettingsOption = Annotated[
    Path | None, typer.Option("--settings", metavar="FILE", help="Settings file (default: skidhand.toml, if there).")
]
StoreOption = Annotated[str | None, typer.Option("--store", metavar="URL", help="Time-series store: folder or URL.")]
LogbookOption = Annotated[str | None, typer.Option("--logbook", metavar="URL", help="Logbook: file or database URL.")]
SpoolOption = Annotated[Path | None, typer.Option("--spool", metavar="FILE", help="Ingest's spool.")]
BrokerOption = Annotated[str | None, typer.Option("--broker", metavar="HOST[:PORT]", help="MQTT broker.")]
FleetOption = Annotated[Path | None, typer.Option("--fleet", metavar="FILE", help="Fleet file.")]
FormatOption = Annotated[Format, typer.Option("--format", help="How to print.")]
SkidOption = Annotated[str | None, typer.Option("--skid", metavar="ID", help="Only this skid.")]


def settings_from(
    file: Path | None,
    *,
    store: str | None = None,
    logbook: str | None = None,
    spool: Path | None = None,
    broker: str | None = None,
    fleet: Path | None = None,
    more: Mapping[str, object] | None = None,
) -> Settings:
    """The settings of this command; what stands here came from flags. ``more``: others by their dotted names."""
    from skidhand.settings import load_settings

    host, port = split_broker(broker)
    flags = {"store": store, "logbook": logbook, "spool": spool, "fleet": fleet}
    return load_settings({**flags, "broker.host": host, "broker.port": port, **(more or {})}, file=file)


def split_broker(broker: str | None) -> tuple[str | None, int | None]:
    """Host and port of ``HOST``, ``HOST:PORT`` or ``[IPv6]:PORT``; UserError for anything else."""
    if broker is None:
        return None, None
    found = _ADDRESS.fullmatch(broker)
    if found is None:
        raise UserError(f"--broker {broker!r} is not HOST or HOST:PORT, for example 'localhost:1883'")
    port = found["port"]
    return found["bracketed"] or found["host"], int(port) if port else None


def open_logbook(settings: Settings) -> tuple[Logbook, Clock]:
    """The logbook and its clock, for services; ClockMismatchError when it keeps the other kind of time."""
    from skidhand.logbook import Logbook

    logbook = Logbook(settings.logbook)
    try:
        return logbook, logbook.open_clock(settings.clock)
    except Exception:
        logbook.close()
        raise


def look_into_logbook(settings: Settings) -> tuple[Logbook, Clock]:
    """The logbook and its clock, whichever kind of time it keeps, for a person who looks or answers."""
    from skidhand.logbook import Logbook

    if "://" not in settings.logbook and not Path(settings.logbook).expanduser().is_file():
        raise UserError(f"there is no logbook {settings.logbook}; --logbook or a setting names another")
    logbook = Logbook(settings.logbook)
    try:
        kind = logbook.database.clock_kind()
        return logbook, logbook.open_clock("stream" if kind == "stream" else "wall")
    except Exception:
        logbook.close()
        raise


def known_skid(book: Logbook, skid: str | None, *, sites: bool = False) -> None:
    """Nothing if ``skid`` is None or in a fleet version that was ever in force; NotFoundError otherwise.

    ``sites``: a site with shared tanks of its own will do as well.
    """
    fleets = [version.fleet for _, version in book.fleets.versions()]
    skids = {each.id for fleet in fleets for each in fleet.skids}
    if sites:
        skids |= {site.id for fleet in fleets for site in fleet.sites if site.units}
    if skid is not None and skids and skid not in skids:
        raise NotFoundError(f"no skid {skid!r} in this fleet; there are {', '.join(sorted(skids))}")


def open_store(settings: Settings) -> Store:
    """The store of the settings, guarded against the other kind of clock."""
    from skidhand import stores

    store = stores.open_store(settings.store)
    store.set_clock(settings.clock)
    return store


def fleet_of(settings: Settings, logbook: Logbook | None = None) -> FleetVersion:
    """The fleet file of the settings; without one, the version in force in the logbook."""
    from skidhand.fleet import load_fleet

    if settings.fleet is not None:
        return load_fleet(settings.fleet)
    version = logbook.fleets.current() if logbook is not None else None
    if version is None:
        raise UserError("no fleet: give --fleet FILE, or put one in force with 'skidhand check FILE --apply'")
    return version


def parse_time(text: str) -> datetime:
    """An aware UTC time from RFC 3339 (``2026-03-01T12:00:00Z``) or a date; UserError without a time zone."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise UserError(f"{text!r} is not a time; write it as 2026-03-01T12:00:00Z") from error
    if moment.tzinfo is None:
        if len(text) == len("2026-03-01"):
            return moment.replace(tzinfo=UTC)
        raise UserError(f"{text!r} has no time zone; write it as 2026-03-01T12:00:00Z or with an offset")
    return moment.astimezone(UTC)


def user_name() -> str:
    """Who is at the keyboard, as the system knows them; ``unknown`` where it does not."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a container's user number without a name
        return "unknown"


def talk(text: str) -> None:
    """Say something to the person, on stderr: stdout carries data."""
    typer.echo(text, err=True)
