"""``skidhand report``: a day, a week or a month of a skid, a site or the fleet."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, cast

import typer

from skidhand.cli.options import (
    LogbookOption,
    SettingsOption,
    SkidOption,
    StoreOption,
    fleet_of,
    look_into_logbook,
    open_logbook,
    settings_from,
    talk,
    user_name,
)
from skidhand.errors import UserError

if TYPE_CHECKING:
    from analytics.report_gather import Scope
    from skidhand.settings import Settings

MANY: Final = 10  # skids after which it says how far it is


def command(
    out: Annotated[
        Path | None, typer.Option("--out", dir_okay=False, metavar="FILE", help="FILE.html or FILE.pdf.")
    ] = None,
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
    language: Annotated[str, typer.Option("--language", metavar="CODE", help="en or es.")] = "en",
    follow: Annotated[
        bool, typer.Option("--follow", help="E-mail the reports that the fleet file orders, each when it is due.")
    ] = False,
    settings_file: SettingsOption = None,
    store: StoreOption = None,
    logbook: LogbookOption = None,
) -> None:
    """Write a report, with the CSV behind its figures in a zip beside it. Not custody transfer.

    \b
    Example:
        skidhand report --skid tf-skid-1 --month 2026-03 --out march.pdf
        skidhand report --follow
    """
    if follow:
        _follow(settings_from(settings_file, store=store, logbook=logbook))
        return
    if out is None:
        raise UserError("say where to: --out FILE.pdf or --out FILE.html")
    if language not in ("en", "es"):
        raise UserError(f"--language {language!r}: there are en, es")
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
        now = clock.now() or WallClock().now()
        figures = gather(
            samples, book, fleet_of(settings, book), scope, name, period, now=now, url=settings.store, progress=_told
        )
        if send and figures.so_far is not None:
            raise UserError(f"{period.name} is not over at every site yet, so it cannot be stated; leave --send away")
        sent = reporting.freeze(book, figures, now=now, who=who or user_name()) if send else None
        corrected = reporting.before(book, sent)
    written = reporting.write_report(figures, out, statement=sent, corrected=corrected, language=language)
    number = "" if sent is None else "; statement" if sent.number == 0 else f"; correction {sent.number}"
    talk(f"Written: {', '.join(map(str, written))}{number}.")


def _told(made: int, of: int) -> None:
    if made % MANY == 0 or (made == of and of > MANY):
        talk(f"{made} of {of} skids …")


def _follow(settings: Settings) -> None:
    from alerts.channels import open_channel
    from skidhand import log
    from skidhand.cli.services import instance, stop_event
    from skidhand.reporting import Carrier, ReportPost
    from skidhand.stores import open_store

    log.set_up(settings.log, service="report")
    mail = next((name for name in settings.channels if name.startswith("email:")), None)
    book, clock = open_logbook(settings)
    with book:
        carrier = None if mail is None else cast("Carrier", open_channel(mail))
        post = ReportPost(lambda: open_store(settings.store), book, clock, carrier, instance(), url=settings.store)
        post.follow(stop_event())


def _one_of(skid: str | None, site: str | None, whole: bool) -> tuple[Scope, str]:
    if (skid is not None) + (site is not None) + whole != 1:
        raise UserError("say of what: one of --skid ID, --site ID, --fleet")
    return ("skid", skid) if skid is not None else ("site", site) if site is not None else ("fleet", "")
