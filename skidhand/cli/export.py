"""``skidhand export``: series for people who analyse."""

from __future__ import annotations

import sys
from contextlib import closing
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from skidhand.cli.options import (
    FleetOption,
    LogbookOption,
    SettingsOption,
    StoreOption,
    fleet_of,
    look_into_logbook,
    parse_time,
    settings_from,
    talk,
)
from skidhand.errors import UserError

if TYPE_CHECKING:
    from analytics.export import Request
    from analytics.export_corrected import Corrections
    from skidhand.fleet import FleetVersion

LARGE: Final = 1_000_000


class FileFormat(StrEnum):
    """How series are written; a table on a screen would serve nobody."""

    CSV = "csv"
    JSON = "json"
    PARQUET = "parquet"
    XLSX = "xlsx"


class Policy(StrEnum):
    """Which samples are taken."""

    GOOD = "good"
    USABLE = "usable"
    ALL = "all"


def command(
    skid: Annotated[str, typer.Argument(help="The skid's id.")],
    since: Annotated[str, typer.Option("--since", metavar="TIME", help="From this time on.")],
    until: Annotated[str, typer.Option("--until", metavar="TIME", help="Up to this time, which is not included.")],
    series: Annotated[
        list[str] | None,
        typer.Option("--series", metavar="NAME", help="A tag, or UNIT.QUANTITY (--cleaned); may be repeated."),
    ] = None,
    cleaned: Annotated[
        bool, typer.Option("--cleaned", help="Cleaned minutes with their flags, and derived series.")
    ] = False,
    resolution: Annotated[
        int | None, typer.Option("--resolution", min=1, metavar="SECONDS", help="Snaps up to 1, 2, 5 ... minutes.")
    ] = None,
    policy: Annotated[Policy, typer.Option("--policy", help="Good; usable: Uncertain too; or all.")] = Policy.USABLE,
    as_of: Annotated[
        str | None, typer.Option("--as-of", metavar="VERSION", help="The store as it was at this version.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", dir_okay=False, metavar="FILE", help="Into this file, not to stdout.")
    ] = None,
    settings_file: SettingsOption = None,
    store: StoreOption = None,
    logbook: LogbookOption = None,
    fleet: FleetOption = None,
    format: Annotated[FileFormat, typer.Option("--format", help="How to write.")] = FileFormat.CSV,
) -> None:
    """Export one skid's series, raw or cleaned; the same request gives the same bytes.

    \b
    Example:
        skidhand export tf-skid-1 --since 2026-03-01 --until 2026-04-01 --cleaned --format parquet --out march.parquet
    """
    from analytics.export import Request, export
    from analytics.export_corrected import corrections_of
    from skidhand.stores import open_store

    if out is None and format in (FileFormat.PARQUET, FileFormat.XLSX) and sys.stdout.isatty():
        raise UserError(f"{format.value} is not for a screen; give --out FILE")
    settings = settings_from(settings_file, store=store, logbook=logbook, fleet=fleet)
    request = Request(
        skid=skid,
        start=parse_time(since),
        end=parse_time(until),
        names=tuple(series or ()),
        stage="cleaned" if cleaned else "raw",
        resolution=resolution,
        policy=policy.value,
    )
    book, _ = look_into_logbook(settings)
    with book, closing(open_store(settings.store)) as samples:
        version = fleet_of(settings, book)
        entries = book.entries.all(skid=skid) if cleaned else []
        corrections = corrections_of(samples, version, skid, entries, as_of=as_of)
        done = export(
            samples, version, request,
            format=format.value, out=out or sys.stdout.buffer, as_of=as_of, corrections=corrections,
            progress=_Progress(),
        )  # fmt: skip
        beside = _dictionary(version, request, out, corrections)
    width = f" at {done.width} s" if done.width else ""
    if beside:
        talk(f"{beside}: what each series is.")
    talk(f"{done.rows:,} rows{width}; fleet version {version.digest[:12]}; the same again: --as-of {done.version}")


class _Progress:
    """Tells each million rows of a large export."""

    def __init__(self) -> None:
        self._told = 0

    def __call__(self, rows: int) -> None:
        if rows // LARGE > self._told:
            self._told = rows // LARGE
            talk(f"{rows:,} rows …")


def _dictionary(version: FleetVersion, request: Request, out: Path | None, corrections: Corrections) -> Path | None:
    """The data dictionary as CSV beside the file."""
    if out is None:
        return None
    from analytics.export import series_names
    from analytics.export_dictionary import dictionary_csv
    from skidhand.fleet import skid_view

    found = version.fleet.skid(request.skid)
    if found is None:
        return None
    view = skid_view(found)
    every = series_names(view, corrections) if request.stage == "cleaned" else sorted(view.instruments)
    beside = out.with_name(out.name + ".dictionary.csv")
    beside.write_bytes(dictionary_csv(view, sorted(request.names) or every, corrections))
    return beside
