"""A report of a skid, a site or the fleet over a day, a week or a month: figures, events with verdicts, calls."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Final, Literal
from zoneinfo import ZoneInfo

from analytics.report import figures_of
from analytics.report_figures import Event, Figures, SkidFigures
from skidhand.errors import NotFoundError, UserError
from skidhand.fleet import Fleet, FleetVersion, Skid, skid_view
from skidhand.logbook import Logbook
from skidhand.stores.base import Store

Scope = Literal["skid", "site", "fleet"]
EXAMPLES: Final = "a day (2026-03-01), a week (2026-W10) or a month (2026-03)"


@dataclass(frozen=True, slots=True)
class Period:
    """Whole days [first, last) of the site's own calendar."""

    name: str
    first: date
    last: date

    def span(self, zone: ZoneInfo) -> tuple[datetime, datetime]:
        """Start and end in that zone."""
        return datetime.combine(self.first, time(), zone), datetime.combine(self.last, time(), zone)


def period_of(text: str) -> Period:
    """A day, a week (ISO 8601) or a month; UserError for anything else."""
    try:
        if re.fullmatch(r"\d{4}-W\d{2}", text):
            first = date.fromisocalendar(int(text[:4]), int(text[6:]), 1)
            return Period(text, first, first + timedelta(days=7))
        if re.fullmatch(r"\d{4}-\d{2}", text):
            first = date(int(text[:4]), int(text[5:]), 1)
            return Period(text, first, (first + timedelta(days=32)).replace(day=1))
        first = date.fromisoformat(text)
        return Period(first.isoformat(), first, first + timedelta(days=1))
    except ValueError as error:
        raise UserError(f"period {text!r} is none; write {EXAMPLES}") from error


def gather(store: Store, book: Logbook, version: FleetVersion, scope: Scope, name: str, period: Period) -> Figures:
    """The report. NotFoundError for a skid or site that is not there, UserError when no skid stood there then."""
    fleet = version.fleet
    skids = _skids(fleet, scope, name)
    found = []
    for skid in skids:
        for place in skid.placements:
            if scope == "site" and place.site != name:
                continue
            zone = ZoneInfo(fleet.site(place.site).timezone)
            start, end = period.span(zone)
            there, gone = fleet.placement_span(place)
            start, end = max(start, there), min(end, gone or end)
            if start < end:
                found.append(_figures(store, book, skid, place.site, start, end, zone))
    if not found:
        raise UserError(f"no skid of {scope} {name} stood anywhere in {period.name}")
    title = fleet.fleet if scope == "fleet" else fleet.site(name).name if scope == "site" else skids[0].name
    subject = f"{scope} {name}" if scope != "fleet" else "fleet"
    return Figures(
        subject=subject, title=title, period=period.name, fleet=fleet.fleet, fleet_version=version.digest,
        skids=tuple(found),
    )  # fmt: skip


def _skids(fleet: Fleet, scope: Scope, name: str) -> list[Skid]:
    if scope == "fleet":
        return list(fleet.skids)
    if scope == "skid":
        found = [skid for skid in fleet.skids if skid.id == name]
        known = [skid.id for skid in fleet.skids]
    else:
        known = [site.id for site in fleet.sites]
        found = [skid for skid in fleet.skids if any(place.site == name for place in skid.placements)]
    if name not in known:
        raise NotFoundError(f"no {scope} {name!r} here; there are {', '.join(sorted(known))}")
    return found


def _figures(
    store: Store, book: Logbook, skid: Skid, site: str, start: datetime, end: datetime, zone: ZoneInfo
) -> SkidFigures:
    prompts = [p for p in book.prompts.all(skid=skid.id) if p.site == site]
    verdicts = {finding: p.verdict for p in prompts for finding in p.findings}
    events = [
        Event(onset=f.onset, ended=f.ended, kind=f.kind, unit=f.unit, severity=f.severity, cause=f.cause,
              verdict=verdicts.get(f.id))
        for f in book.look.findings(skids=[skid.id], sites=[site], overlaps=(start, end), limit=1000)
        if f.state != "superseded"
    ]  # fmt: skip
    called = [p for p in prompts if start <= p.created < end and p.route != "desk"]
    return figures_of(
        store, skid_view(skid), start, end, site=site, zone=zone,
        events=sorted(events, key=lambda e: (e.onset, e.kind, e.unit)),
        calls=len(called), false_calls=sum(p.verdict == "false" for p in called),
    )  # fmt: skip
