"""Who is on duty when, and whether somebody always is."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from typing import Final, NamedTuple, get_args
from zoneinfo import ZoneInfo

from skidhand.fleet.model import Fleet
from skidhand.fleet.roster import DAYS, Duty, Person, Roster, Shift
from skidhand.model.kinds import Severity

SEVERITIES: Final[tuple[Severity, ...]] = get_args(Severity)
PROVED: Final = timedelta(weeks=8)
_HOUR: Final = timedelta(hours=1)


class Hole(NamedTuple):
    """A moment at which nobody can be told of ``severity`` at ``site``."""

    site: str
    severity: Severity
    at: datetime


def zone_of(fleet: Fleet, site: str) -> ZoneInfo:
    """The site's time zone; UTC for a site that is not, or no longer, in the fleet file."""
    found = next((s for s in fleet.sites if s.id == site), None)
    return ZoneInfo(found.timezone if found else "UTC")


def on_duty(fleet: Fleet, site: str, at: datetime, severity: Severity) -> tuple[Person, ...]:
    """Who is called, first to last: of the first duty that covers site and severity and has somebody then.

    ``site`` "" is skidhand itself: any duty covers it.
    """
    zone = zone_of(fleet, site)
    for duty in _covering(fleet.roster, site, severity):
        if people := _people(fleet.roster, duty, at, zone):
            return people
    return ()


def holes(fleet: Fleet, since: datetime, until: datetime) -> Iterator[Hole]:
    """The first hole of each site and severity in the span, where skids stand; none if somebody always is there."""
    start = since.replace(minute=0, second=0, microsecond=0)
    for site in sorted({placement.site for skid in fleet.skids for placement in skid.placements}):
        zone = zone_of(fleet, site)
        for severity in SEVERITIES:
            duties = _covering(fleet.roster, site, severity)
            for at in _moments(duties, start, until, zone):
                people = next((found for duty in duties if (found := _people(fleet.roster, duty, at, zone))), ())
                if not any(person.reachable(severity) for person in people):
                    yield Hole(site, severity, max(at, since))
                    break


def _covering(roster: Roster, site: str, severity: Severity) -> list[Duty]:
    return [
        duty
        for duty in roster.duties
        if (not site or not duty.sites or site in duty.sites) and (not duty.severities or severity in duty.severities)
    ]


def _people(roster: Roster, duty: Duty, at: datetime, zone: ZoneInfo) -> tuple[Person, ...]:
    ids: list[str] = []
    for shift in duty.shifts:
        begun = _begun(shift, roster, at.astimezone(ZoneInfo(shift.timezone) if shift.timezone else zone))
        if begun is not None:
            ids += shift.crew(begun)
    today = at.astimezone(zone).date()
    present = (_present(roster, person, today) for person in [*ids, *duty.people])
    known = {person.id: person for person in roster.people}
    return tuple(known[person] for person in dict.fromkeys(present) if person is not None)


def _begun(shift: Shift, roster: Roster, here: datetime) -> date | None:
    """The day on which the shift that runs at ``here`` began; None when it does not run."""
    clock, day = here.time().replace(tzinfo=None, fold=0), here.date()
    yesterday = day - timedelta(days=1)
    if shift.from_ < shift.to:
        begun = day if shift.from_ <= clock < shift.to else None
    else:  # over midnight, or the whole day
        begun = day if clock >= shift.from_ else yesterday if clock < shift.to or shift.from_ == shift.to else None
    if begun is None:
        return None
    weekday = "sun" if begun in roster.holidays else DAYS[begun.weekday()]
    return begun if weekday in shift.days else None


def _present(roster: Roster, person: str, day: date, away: frozenset[str] = frozenset()) -> str | None:
    """``person``, or whoever stands in for them on ``day``; None when nobody does."""
    for cover in roster.cover:
        if cover.person == person and cover.from_ <= day <= cover.to:
            if cover.by is None or cover.by in away:
                return None
            return _present(roster, cover.by, day, away | {person})
    return person


def _moments(duties: list[Duty], start: datetime, until: datetime, zone: ZoneInfo) -> Iterator[datetime]:
    """Every hour, and every moment at which somebody may begin or end: between those nothing changes."""
    edges = {start + n * _HOUR for n in range(int((until - start) / _HOUR) + 1)}
    for duty in duties:
        for shift in duty.shifts:
            own = ZoneInfo(shift.timezone) if shift.timezone else zone
            day = start.astimezone(own).date()
            while (first := datetime.combine(day, time(), own)) <= until:
                edges |= {datetime.combine(day, clock, own).astimezone(UTC) for clock in (shift.from_, shift.to)}
                day = first.date() + timedelta(days=1)
    return iter(sorted(at for at in edges if start <= at < until))
