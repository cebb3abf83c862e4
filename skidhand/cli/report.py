"""``skidhand report``: a day, a week or a month of a skid, a site or the fleet."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from skidhand.cli.options import (
    LogbookOption,
    SettingsOption,
    SkidOption,
    StoreOption,
    fleet_of,
    look_into_logbook,
    settings_from,
    talk,
    user_name,
)
from skidhand.errors import UserError

if TYPE_CHECKING:
    from analytics.report_gather import Scope


def command(
    out: Annotated[Path, typer.Option("--out", dir_okay=False, metavar="FILE", help="FILE.html or FILE.pdf.")],
    skid: SkidOption = None,
    site: Annotated[str | None, typer.Option("--site", metavar="ID", help="All skids of this site.")] = None,
    whole: Annotated[bool, typer.Option("--fleet", help="The whole fleet.")] = False,
    day: Annotated[str | None, typer.Option("--day", metavar="DATE", help="For example 2026-03-01.")] = None,
    week: Annotated[str | None, typer.Option("--week", metavar="WEEK", help="For example 2026-W10.")] = None,
    month: Annotated[str | None, typer.Option("--month", metavar="MONTH", help="For example 2026-03.")] = None,
    send: Annotated[
        bool, typer.Option("--send", help="Freeze it as a statement; changed figures make a numbered correction.")
    ] = False,
    who: Annotated[str | None, typer.Option("--who", metavar="ID", help="Who sends it.")] = None,
    settings_file: SettingsOption = None,
    store: StoreOption = None,
    logbook: LogbookOption = None,
) -> None:
    """Write a report, with the CSV behind its figures in a zip beside it. Not custody transfer.

    \b
    Example:
        skidhand report --skid tf-skid-1 --month 2026-03 --out march.pdf
    """
    from analytics.report_gather import gather, period_of
    from skidhand import reporting
    from skidhand.clock import WallClock
    from skidhand.stores import open_store

    scope, name = _one_of(skid, site, whole)
    periods = [text for text in (day, week, month) if text is not None]
    if len(periods) != 1:
        raise UserError("say which period: one of --day 2026-03-01, --week 2026-W10, --month 2026-03")
    if out.suffix.lower() not in reporting.SUFFIXES:
        raise UserError(f"--out {out}: the name must end in {' or '.join(reporting.SUFFIXES)}")
    period = period_of(periods[0])
    settings = settings_from(settings_file, store=store, logbook=logbook)
    book, clock = look_into_logbook(settings)
    with book, closing(open_store(settings.store)) as samples:
        figures = gather(samples, book, fleet_of(settings, book), scope, name, period)
        sent = None
        if send:
            now = clock.now() or WallClock().now()
            sent = reporting.freeze(book, figures, now=now, who=who or user_name())
    written = reporting.write_report(figures, out, statement=sent)
    number = "" if sent is None else "; statement" if sent.number == 0 else f"; correction {sent.number}"
    talk(f"Written: {', '.join(map(str, written))}{number}.")


def _one_of(skid: str | None, site: str | None, whole: bool) -> tuple[Scope, str]:
    if (skid is not None) + (site is not None) + whole != 1:
        raise UserError("say of what: one of --skid ID, --site ID, --fleet")
    return ("skid", skid) if skid is not None else ("site", site) if site is not None else ("fleet", "")
