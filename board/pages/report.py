"""Reports: the figures of a day, a week or a month on the screen, and as HTML, PDF and CSV to download.

What was sent is kept and can be fetched as it was; the figures on the page are those of now, preliminary.
"""

from __future__ import annotations

from typing import Final, Literal

from fastapi import APIRouter, Request
from fastapi.responses import Response

from analytics.report_document import csv_zip, head, html, local, pdf, span
from analytics.report_figures import Figures
from analytics.report_gather import Period, Scope, gather, period_of
from analytics.report_lines import lines, quality_lines, quality_title, total_lines
from analytics.report_words import ReportWords
from board.access import Anybody
from board.house import House, house_of, not_here
from board.render import Nav, render, words_of
from board.viewer import Viewer
from skidhand.errors import UserError
from skidhand.fleet import Fleet
from skidhand.model.statement import Statement

router = APIRouter(include_in_schema=False)
NAV: Final = Nav("/report", "nav.report", role="customer", order=50)
TYPES: Final = {"html": "text/html; charset=utf-8", "pdf": "application/pdf", "csv": "application/zip"}
MOST: Final = 400
"""Skid-days that a page works out, at a tenth of a second each; ``skidhand report`` takes any number."""


@router.get("/report")
def page(request: Request, viewer: Anybody, of: str = "", period: str = "") -> Response:
    """The page; ``of`` is ``fleet``, ``site ID`` or ``skid ID``. A viewer of some sites asks for those alone."""
    house, t = house_of(request), words_of(request)
    choice = _choice(viewer, house.fleet().fleet)
    day = period.strip() or house.now().date().isoformat()
    found = _figures(house, viewer, choice, of, day) if of else None
    t_report = ReportWords(t.language)
    sent = [(one.number, head(one, t_report)) for one in _sent(house, found)] if found else []
    return render(
        request, "report.html", viewer, choice=choice, of=of, period=day, found=found, t_report=t_report, sent=sent,
        head=head(None, t_report), span=span(found, t_report) if found else "", total_lines=total_lines, lines=lines,
        quality_lines=quality_lines, quality_title=quality_title, local=local,
    )  # fmt: skip


@router.get("/report/file")
def file(
    request: Request, viewer: Anybody, of: str, period: str, format: Literal["html", "pdf", "csv"] = "pdf",
    number: int | None = None,
) -> Response:  # fmt: skip
    """The report as a file; CSV files come in one zip. ``number``: as it was sent (0) or corrected (1, 2, ...)."""
    house, t = house_of(request), words_of(request)
    choice = _choice(viewer, house.fleet().fleet)
    statement = corrected = None
    if number is None:
        figures = _figures(house, viewer, choice, of, period.strip())
    else:
        if of not in choice:
            raise not_here("report", of)
        kept = {one.number: one for one in house.logbook.statements.of(f"{of} {period_of(period.strip()).name}")}
        if number not in kept:
            raise not_here("statement", f"{of} {period} {number}")
        statement, corrected = kept[number], kept.get(number - 1)
        figures = Figures.model_validate(statement.figures)
        figures = figures.for_customer() if viewer.customer else figures
    if format == "csv":
        body, ending = csv_zip(figures), "-csv.zip"
    else:
        text = html(figures, t, statement, corrected)
        body, ending = (pdf(text) if format == "pdf" else text.encode()), f".{format}"
    which = "" if number is None else f"-{number}"
    name = f"report-{figures.subject.replace(' ', '-')}-{figures.period}{which}{ending}"
    told = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
    return Response(body, media_type=TYPES[format], headers=told)


def _figures(house: House, viewer: Viewer, choice: dict[str, str], of: str, text: str) -> Figures:
    if of not in choice:
        raise not_here("report", of)
    word, _, name = of.partition(" ")
    scope: Scope = "fleet" if word == "fleet" else "site" if word == "site" else "skid"
    period = period_of(text)
    _small_enough(house.fleet().fleet, scope, name, period)
    found = gather(house.store, house.logbook, house.fleet(), scope, name, period, now=house.now())
    return found.for_customer() if viewer.customer else found


def _small_enough(fleet: Fleet, scope: Scope, name: str, period: Period) -> None:
    """UserError for what would keep the page busy for minutes."""
    skids = [s for s in fleet.skids if scope == "fleet" or any(place.site == name for place in s.placements)]
    days = (period.last - period.first).days * (1 if scope == "skid" else len(skids))
    if days > MOST:
        raise UserError(f"{days} days of skids are more than the {MOST} that a page works out; use: skidhand report")


def _sent(house: House, figures: Figures) -> list[Statement]:
    """Statement and corrections of this subject and period, in the order of their numbers."""
    return sorted(house.logbook.statements.of(f"{figures.subject} {figures.period}"), key=lambda one: one.number)


def _choice(viewer: Viewer, fleet: Fleet) -> dict[str, str]:
    sites = {f"site {site.id}": site.name for site in fleet.sites if viewer.sees_site(site.id)}
    if viewer.sites is not None:
        return sites  # a skid's report could tell of a time at somebody else's site
    return {"fleet": fleet.fleet, **sites, **{f"skid {skid.id}": skid.name for skid in fleet.skids}}
