"""Reports: the figures of a day, a week or a month on the screen, and as HTML, PDF and CSV to download."""

from __future__ import annotations

from typing import Final, Literal

from fastapi import APIRouter, Request
from fastapi.responses import Response

from analytics.report_document import csv_zip, html, pdf
from analytics.report_figures import Figures
from analytics.report_gather import Scope, gather, period_of
from analytics.report_lines import lines, quality_lines, quality_title
from analytics.report_words import ReportWords
from board.access import Anybody
from board.house import House, house_of, not_here
from board.render import Nav, render, words_of
from board.viewer import Viewer
from skidhand.fleet import Fleet

router = APIRouter(include_in_schema=False)
NAV: Final = Nav("/report", "nav.report", role="customer", order=50)
TYPES: Final = {"html": "text/html; charset=utf-8", "pdf": "application/pdf", "csv": "application/zip"}


@router.get("/report")
def page(request: Request, viewer: Anybody, of: str = "", period: str = "") -> Response:
    """The page; ``of`` is ``fleet``, ``site ID`` or ``skid ID``. A viewer of some sites asks for those alone."""
    house, t = house_of(request), words_of(request)
    choice = _choice(viewer, house.fleet().fleet)
    day = period.strip() or house.now().date().isoformat()
    found = _figures(house, viewer, choice, of, day) if of else None
    return render(
        request, "report.html", viewer, choice=choice, of=of, period=day, found=found, t_report=ReportWords(t.language),
        lines=lines, quality_lines=quality_lines, quality_title=quality_title,
    )  # fmt: skip


@router.get("/report/file")
def file(
    request: Request, viewer: Anybody, of: str, period: str, format: Literal["html", "pdf", "csv"] = "pdf"
) -> Response:
    """The report as a file, preliminary as long as nobody has sent it; CSV files come in one zip."""
    house, t = house_of(request), words_of(request)
    figures = _figures(house, viewer, _choice(viewer, house.fleet().fleet), of, period.strip())
    if format == "csv":
        body, ending = csv_zip(figures), "-csv.zip"
    else:
        text = html(figures, t)
        body, ending = (pdf(text) if format == "pdf" else text.encode()), f".{format}"
    name = f"report-{figures.subject.replace(' ', '-')}-{figures.period}{ending}"
    told = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
    return Response(body, media_type=TYPES[format], headers=told)


def _figures(house: House, viewer: Viewer, choice: dict[str, str], of: str, period: str) -> Figures:
    if of not in choice:
        raise not_here("report", of)
    word, _, name = of.partition(" ")
    scope: Scope = "fleet" if word == "fleet" else "site" if word == "site" else "skid"
    found = gather(house.store, house.logbook, house.fleet(), scope, name, period_of(period))
    return found.for_customer() if viewer.customer else found


def _choice(viewer: Viewer, fleet: Fleet) -> dict[str, str]:
    sites = {f"site {site.id}": site.name for site in fleet.sites if viewer.sees_site(site.id)}
    if viewer.sites is not None:
        return sites  # a skid's report could tell of a time at somebody else's site
    return {"fleet": fleet.fleet, **sites, **{f"skid {skid.id}": skid.name for skid in fleet.skids}}
