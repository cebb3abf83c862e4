"""``skidhand check``: is the fleet file right, what is watched, and put it in force."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from skidhand.cli.options import (
    Format,
    FormatOption,
    LogbookOption,
    SettingsOption,
    open_logbook,
    parse_time,
    settings_from,
    talk,
    user_name,
)
from skidhand.cli.output import print_rows
from skidhand.errors import FleetFileError, UserError

if TYPE_CHECKING:
    from skidhand.fleet import FleetVersion
    from skidhand.settings import Settings

COLUMNS = ("skid", "unit", "type", "kind", "watched", "note")


def command(
    file: Annotated[Path, typer.Argument(exists=True, dir_okay=False, metavar="FLEET", help="The fleet file.")],
    apply: Annotated[bool, typer.Option("--apply", help="Put the file in force, through the logbook.")] = False,
    effective: Annotated[
        str | None,
        typer.Option("--effective", metavar="TIME", help="In force from this source time on (default: now)."),
    ] = None,
    who: Annotated[str | None, typer.Option("--who", metavar="NAME", help="Who puts it in force.")] = None,
    settings_file: SettingsOption = None,
    logbook: LogbookOption = None,
    format: FormatOption = Format.TABLE,
) -> None:
    """Check a fleet file, say what is watched and what is not, put it in force.

    Exit status 0: the file is right. 1: it is wrong, and each error names its line; or there is an hour of the
    next 8 weeks in which the roster has nobody, and each first one is named.

    \b
    Example:
        skidhand check fleet.yaml --apply --who "M. Reyes"
    """
    from skidhand.fleet import load_fleet
    from skidhand.fleet.coverage import coverage

    if (effective or who) and not apply:
        raise UserError("--effective and --who belong to --apply")
    try:
        version = load_fleet(file)
    except FleetFileError as error:
        talk(str(error))
        raise typer.Exit(1) from error
    rows = list(coverage(version.fleet))
    print_rows(rows, COLUMNS, format)
    talk(_summary(file, version, rows))
    for warning in _wordless(version):
        talk(warning)
    if gaps := list(_nobody(version)):
        talk("\n".join(gaps))
        raise typer.Exit(1)
    if apply:
        _apply(file, version, settings_from(settings_file, logbook=logbook), effective, who)


def _summary(file: Path, version: FleetVersion, rows: list[dict[str, Any]]) -> str:
    fleet = version.fleet
    counts = Counter(row["watched"] for row in rows)
    return (
        f"{file}: right. {fleet.fleet}: {len(fleet.sites)} sites, {len(fleet.skids)} skids, "
        f"{counts[True]} kinds of finding watched, {counts[False]} not. Version {version.digest[:12]}."
    )


def _wordless(version: FleetVersion) -> Iterator[str]:
    """Whose language has no words, so that they are written to in English."""
    from alerts.words import languages

    known = languages()
    for person in version.fleet.roster.people:
        if person.language not in known:
            yield (
                f"warning: roster: {person.id} speaks {person.language!r}, which has no words here; messages will be "
                f"in English (there are {', '.join(known)})"
            )


def _nobody(version: FleetVersion) -> Iterator[str]:
    """Where and when the roster has nobody to tell; a fleet without a roster calls nobody, which is no mistake."""
    from skidhand.clock import WallClock
    from skidhand.fleet.duty import PROVED, holes, zone_of

    fleet = version.fleet
    if not fleet.roster.people:
        talk("The roster is empty: nobody is called, prompts stand in the list only.")
        return
    now = WallClock().now()
    found = False
    for hole in holes(fleet, now, now + PROVED):
        found = True
        here = hole.at.astimezone(zone_of(fleet, hole.site))
        yield (
            f"roster: nobody can be told of {hole.severity} severity at {hole.site!r} from {here:%a %Y-%m-%d %H:%M} "
            "(site time) on; give its duties people or shifts for it, with telephone numbers"
        )
    if not found:
        talk("The roster has somebody for every severity at every hour of the next 8 weeks.")


def _apply(file: Path, version: FleetVersion, settings: Settings, effective: str | None, who: str | None) -> None:
    from skidhand.fleet.change import check_change

    book, clock = open_logbook(settings)
    with book:
        moment = parse_time(effective) if effective else clock.now()
        if moment is None:
            raise UserError("the stream has announced no time yet; give --effective TIME")
        try:
            check_change(version, [old for _, old in book.fleets.versions()], str(file))
        except FleetFileError as error:
            talk(str(error))
            raise typer.Exit(1) from error
        done = book.fleets.apply(version, effective=moment, who=who or user_name())
    if done:
        talk(f"In force from {moment:%Y-%m-%d %H:%M:%SZ} on; services take it at their next tick.")
    else:
        talk("Already in force; nothing changed.")
