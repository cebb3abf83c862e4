"""``skidhand work``: a skid or one unit is out of service until, because somebody works there."""

from __future__ import annotations

import uuid
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Annotated, Any

import typer

from skidhand.cli.options import (
    Format,
    FormatOption,
    LogbookOption,
    SettingsOption,
    known_skid,
    look_into_logbook,
    parse_time,
    settings_from,
    talk,
    user_name,
)
from skidhand.cli.output import print_rows
from skidhand.errors import NotFoundError, UserError

if TYPE_CHECKING:
    from skidhand.fleet import Fleet
    from skidhand.logbook import Logbook
    from skidhand.model.prompt import Work

COLUMNS = ("skid", "unit", "kind", "who", "why", "begins", "until", "ended")


def command(
    skid: Annotated[str | None, typer.Argument(metavar="SKID", help="The skid; none: list what is going on.")] = None,
    until: Annotated[
        str | None, typer.Option("--until", metavar="TIME", help="Its end: a time, or a span such as 90m, 4h, 2d.")
    ] = None,
    unit: Annotated[str | None, typer.Option("--unit", metavar="ID", help="Only this unit of the skid.")] = None,
    outage: Annotated[bool, typer.Option("--outage", help="A planned outage: nobody works there.")] = False,
    begin: Annotated[str | None, typer.Option("--begin", metavar="TIME", help="Its begin (default: now).")] = None,
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="What is done.")] = "",
    who: Annotated[str | None, typer.Option("--who", metavar="ID", help="You, by your id on the roster.")] = None,
    settings_file: SettingsOption = None,
    logbook: LogbookOption = None,
    format: FormatOption = Format.TABLE,
) -> None:
    """Put a skid or unit out of service for a time, or list what is.

    What comes up there is written down and not sent, except call-outs, which reach whoever works there. Before the
    end that person is asked whether it goes on; it ends by itself.

    \b
    Example:
        skidhand work tf-skid-1 --unit filter-a --until 4h --why "new media" --who reyes
    """
    book, clock = look_into_logbook(settings_from(settings_file, logbook=logbook))
    with book:
        if skid is None:
            rows = [{name: getattr(one, name) for name in COLUMNS} for one in book.work.open()]
            print_rows(rows, COLUMNS, format)
            return
        known_skid(book, skid)
        now = clock.now()
        if now is None or until is None:
            raise UserError("work needs --until TIME, such as 4h" if now else "the stream has announced no time yet")
        given = _work(book, skid, unit, who or user_name(), now, begin, until)
        work = given.model_copy(update={"why": why, "kind": "outage" if outage else "work"})
        book.work.add(work)
    talk(f"{skid}{f' {unit}' if unit else ''}: {work.kind} until {work.until:%Y-%m-%d %H:%MZ}, {work.who}.")


def _work(book: Logbook, skid: str, unit: str | None, who: str, now: datetime, begin: str | None, until: str) -> Work:
    from skidhand.model.prompt import Work

    version = book.fleets.current()
    if version is None:
        raise UserError("no fleet version is in force; run: skidhand check FLEET.yaml --apply")
    person = version.fleet.roster.person(who)
    if person is None:
        names = ", ".join(p.id for p in version.fleet.roster.people) or "nobody"
        raise NotFoundError(f"{who!r} is not on the roster; there are {names}")
    _known_unit(version.fleet, skid, unit)
    start = parse_time(begin) if begin else now
    end = _end(until, start)
    if end <= max(start, now):
        raise UserError(f"--until {until!r} is no later than {max(start, now):%Y-%m-%d %H:%MZ}")
    return Work(id=uuid.uuid4(), skid=skid, unit=unit, who=person.id, begins=start, until=end)


def _known_unit(fleet: Fleet, skid: str, unit: str | None) -> None:
    found: Any = fleet.skid(skid)
    units = [one.id for one in found.units] if found else []
    if unit is not None and unit not in units:
        raise NotFoundError(f"{skid} has no unit {unit!r}; there are {', '.join(units) or 'none'}")


def _end(text: str, start: datetime) -> datetime:
    units = {"m": timedelta(minutes=1), "h": timedelta(hours=1), "d": timedelta(days=1)}
    if text[:-1].isdigit() and text[-1] in units:
        return start + int(text[:-1]) * units[text[-1]]
    return parse_time(text)
