"""A report of a skid, a site or the fleet over a day, a week or a month: figures, events with verdicts, calls."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from functools import partial
from itertools import pairwise
from typing import Final, Literal
from uuid import UUID
from zoneinfo import ZoneInfo

from analytics.report import figures_of
from analytics.report_figures import Event, Figures, SkidFigures
from analytics.report_jobs import Task, run
from skidhand.errors import NotFoundError, UserError
from skidhand.fleet import Fleet, FleetVersion, Skid, skid_view
from skidhand.logbook import Logbook
from skidhand.model.finding import Finding
from skidhand.model.prompt import Prompt
from skidhand.stores.base import Store

Scope = Literal["skid", "site", "fleet"]
Versions = Sequence[tuple[datetime, FleetVersion]]
EVERY: Final = 1_000_000
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


@dataclass(frozen=True, slots=True)
class Part:
    """A skid as one version defines it, at one placement, over [start, end) of the period."""

    skid: Skid
    site: str
    site_name: str
    zone: ZoneInfo
    there: datetime
    start: datetime
    end: datetime
    version: str


def gather(
    store: Store,
    book: Logbook,
    version: FleetVersion,
    scope: Scope,
    name: str,
    period: Period,
    *,
    now: datetime | None = None,
    url: str | None = None,
    progress: Callable[[int, int], object] | None = None,
) -> Figures:
    """The report, each part of the period by the fleet version in force then; ``version`` gives the titles.

    ``now``: a period that is not over ends there. ``url`` of the store: a large report is made in several processes.
    ``progress`` hears how many parts are made, and of how many. NotFoundError for a skid or site that is not there,
    UserError when no skid stood there then.
    """
    versions = book.fleets.versions() or [(datetime.min.replace(tzinfo=UTC), version)]
    fleets = [one.fleet for _, one in versions]
    title = _title([*reversed(fleets), version.fleet], scope, name)
    names = [name] if scope == "skid" else sorted({skid.id for fleet in fleets for skid in fleet.skids})
    whole = [part for id in names for part in _parts(versions, id, period) if scope != "site" or part.site == name]
    cut = None if now is None else now.astimezone(UTC).replace(second=0, microsecond=0)
    parts = [part if cut is None else replace(part, end=min(part.end, cut)) for part in whole]
    parts = [part for part in parts if part.start < part.end]
    if not parts:
        raise UserError(f"no skid of {scope} {name} stood anywhere in {period.name}{' up to now' if whole else ''}")
    told = Told.of(book, parts)
    made = []
    for figures in run(store, url, [told.task(part) for part in parts]):
        made.append(figures)
        if progress is not None:
            progress(len(made), len(parts))
    return Figures(
        subject="fleet" if scope == "fleet" else f"{scope} {name}", title=title, period=period.name,
        fleet=version.fleet.fleet, skids=tuple(made),
        so_far=cut if cut is not None and any(part.end > cut for part in whole) else None,
    )  # fmt: skip


def _title(fleets: Sequence[Fleet], scope: Scope, name: str) -> str:
    """Its newest name."""
    if scope == "fleet":
        return fleets[0].fleet
    for fleet in fleets:
        for one in fleet.skids if scope == "skid" else fleet.sites:
            if one.id == name:
                return one.name
    known = {one.id for fleet in fleets for one in (fleet.skids if scope == "skid" else fleet.sites)}
    raise NotFoundError(f"no {scope} {name!r} here; there are {', '.join(sorted(known))}")


def in_force(versions: Versions, moment: datetime) -> FleetVersion:
    """The last applied of those in effect at ``moment``; before all of them the first."""
    return next((one for since, one in reversed(versions) if since <= moment), versions[0][1])


def _parts(versions: Versions, id: str, period: Period) -> Iterator[Part]:
    """The skid's parts of the period; a version that leaves it as it was makes no new part."""
    widest = timedelta(days=2)  # more than any time zone is from UTC
    first, last = (datetime.combine(day, time(), UTC) for day in (period.first, period.last))
    cuts = sorted({since for since, _ in versions if first - widest < since < last + widest})
    edges = [first - widest, *cuts, last + widest]
    before: Part | None = None
    for begin, stop in pairwise(edges):
        version = in_force(versions, begin)
        skid = version.fleet.skid(id)
        for place in () if skid is None else skid.placements:
            site = version.fleet.site(place.site)
            zone = ZoneInfo(site.timezone)
            start, end = period.span(zone)
            there, gone = version.fleet.placement_span(place)
            start, end = max(start, there, begin), min(end, gone or end, stop)
            if skid is None or start >= end:
                continue
            span = start.astimezone(UTC), end.astimezone(UTC)
            now = Part(skid, site.id, site.name, zone, there, *span, version.digest)
            if before is not None and before.end == now.start and _same(before, now):
                before = replace(before, end=now.end)
            else:
                if before is not None:
                    yield before
                before = now
    if before is not None:
        yield before


def _same(a: Part, b: Part) -> bool:
    apart = {"placements", "name"}
    same_place = (a.site, a.zone, a.there) == (b.site, b.zone, b.there)
    return same_place and a.skid.model_dump(exclude=apart) == b.skid.model_dump(exclude=apart)


@dataclass(frozen=True, slots=True)
class Told:
    """What the logbook says of these parts, read once for all of them."""

    prompts: dict[str, Prompt]
    verdicts: Mapping[UUID, str | None]
    findings: dict[str, list[Finding]]
    sent: dict[str, list[tuple[str, str, datetime]]]

    @classmethod
    def of(cls, book: Logbook, parts: Sequence[Part]) -> Told:
        """Everything between the first part's start and the last one's end."""
        skids = sorted({part.skid.id for part in parts})
        span = min(part.start for part in parts), max(part.end for part in parts)
        prompts = {str(p.id): p for p in book.look.prompts(skids=skids, sites=None, open_only=False, limit=EVERY)}
        findings: dict[str, list[Finding]] = {}
        for one in book.look.findings(skids=skids, sites=None, overlaps=span, limit=EVERY):
            findings.setdefault(one.skid, []).append(one)
        sent: dict[str, list[tuple[str, str, datetime]]] = {}
        for prompt, person, at in book.look.sent(*span):
            if prompt in prompts:
                sent.setdefault(prompts[prompt].skid, []).append((prompt, person, at))
        verdicts = {finding: p.verdict for p in prompts.values() for finding in p.findings}
        return cls(prompts, verdicts, findings, sent)

    def events(self, part: Part) -> list[Event]:
        """Findings made at this placement that stood in the part."""
        return sorted(
            (
                Event(onset=f.onset, ended=f.ended, kind=f.kind, unit=f.unit, severity=f.severity, cause=f.cause,
                      verdict=self.verdicts.get(f.id))
                for f in self.findings.get(part.skid.id, ())
                if f.site == part.site and f.onset < part.end and (f.ended is None or f.ended >= part.start)
            ),
            key=lambda e: (e.onset, e.kind, e.unit),
        )  # fmt: skip

    def calls(self, part: Part) -> tuple[int, int, int]:
        """People told, each once a prompt; those of them for prompts judged false; messages."""
        mine = [
            (prompt, person) for prompt, person, at in self.sent.get(part.skid.id, ())
            if part.start <= at < part.end and self.prompts[prompt].site == part.site
        ]  # fmt: skip
        called = set(mine)
        return len(called), sum(self.prompts[prompt].verdict == "false" for prompt, _ in called), len(mine)

    def task(self, part: Part) -> Task:
        """What is left to do for the part's figures: nothing of the logbook, so that another process can do it."""
        return partial(_figures, part=part, events=self.events(part), calls=self.calls(part))


def _figures(store: Store, *, part: Part, events: Sequence[Event], calls: tuple[int, int, int]) -> SkidFigures:
    return figures_of(
        store, skid_view(part.skid), part.start, part.end, site=part.site, site_name=part.site_name, zone=part.zone,
        there=part.there, events=events, calls=calls, fleet_version=part.version,
    )  # fmt: skip
