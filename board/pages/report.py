"""Reports on the screen: the figures of a day, a week or a month."""

from __future__ import annotations

from typing import Any, Final

from fastapi import APIRouter, Request
from fastapi.responses import Response

from analytics.report_figures import Figures, SkidFigures
from analytics.report_gather import gather, period_of
from board import when
from board.access import Looking
from board.house import house_of, not_here
from board.render import Nav, render, unit
from board.viewer import Viewer
from skidhand.fleet import Fleet

router = APIRouter(include_in_schema=False)
NAV: Final = Nav("/report", "nav.report", order=50)


@router.get("/report")
def page(request: Request, viewer: Looking, of: str = "", period: str = "") -> Response:
    """The page; ``of`` is ``fleet``, ``site ID`` or ``skid ID``. A viewer of some sites asks for those alone."""
    house = house_of(request)
    version = house.fleet()
    choice = _choice(viewer, version.fleet)
    day = period.strip() or house.now().date().isoformat()
    found: Figures | None = None
    if of:
        if of not in choice:
            raise not_here("report", of)
        scope, _, name = of.partition(" ")
        found = gather(house.store, house.logbook, version, scope, name, period_of(day))  # type: ignore[arg-type]
    tables = [] if found is None else [(skid.name, skid.site, _rows(skid)) for skid in found.skids]
    return render(request, "report.html", viewer, choice=choice, of=of, period=day, tables=tables)


def _choice(viewer: Viewer, fleet: Fleet) -> dict[str, str]:
    sites = {f"site {site.id}": site.name for site in fleet.sites if viewer.sees_site(site.id)}
    if viewer.sites is not None:
        return sites  # a skid's report could tell of a time at somebody else's site
    return {"fleet": fleet.fleet, **sites, **{f"skid {skid.id}": skid.name for skid in fleet.skids}}


def _rows(skid: SkidFigures) -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    for what, volume in (("treated water out", skid.treated), ("water received", skid.received)):
        if volume is not None:
            told = {"": volume.total, ", in gaps of the data": volume.in_gap, ", diverted": volume.diverted,
                    ", above the limit": volume.off_spec}  # fmt: skip
            rows += [
                (what + part, f"{when.figure(v)} {unit(volume.unit)}") for part, v in told.items() if v or not part
            ]
    for q in skid.quality:
        rows.append((f"{q.name} on specification", f"{_percent(q.share)} of {q.minutes} min"))
        rows.append((f"{q.name}, average of daily means, 30 days", f"{_figure(q.average_30d)} {unit(q.unit)}"))
        rows.append((f"{q.name}, highest daily mean", f"{_figure(q.highest_day)} {unit(q.unit)}"))
    rows += [
        ("recovery", _percent(skid.recovery)),
        ("backwash share", _percent(skid.backwash_share)),
        ("oil caught", f"{_figure(skid.oil_caught_kg)} kg"),
        ("hours in service", f"{when.figure(skid.in_service_h)} h"),
        ("filter runs", str(len(skid.runs))),
        ("events", str(len(skid.events))),
        ("calls (judged false)", f"{skid.calls} ({skid.false_calls})"),
        ("data completeness", _percent(skid.completeness)),
    ]
    return rows


def _figure(value: float | None) -> Any:
    return "\u2013" if value is None else when.figure(value)


def _percent(share: float | None) -> str:
    return "\u2013" if share is None else f"{100 * share:.1f} %"
