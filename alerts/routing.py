"""Where a finding goes: phone or desk, now or when the night is over, and to whom."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from skidhand import plugins
from skidhand.fleet import Fleet
from skidhand.fleet.model import Person
from skidhand.model.finding import Finding
from skidhand.model.kinds import INSTRUMENT, KINDS, KindInfo, Route, Severity
from skidhand.model.prompt import Priority

URGENCY: Final[tuple[Route, ...]] = ("desk", "phone-by-day", "phone")
RANK: Final[tuple[Severity, ...]] = ("low", "medium", "high")
GAS: Final = "gas-alarm"
"""Hazard code of a finding made while the unit's gas alarm is on or its signal is stale."""


def kind_info(kind: str) -> KindInfo:
    """What is known of a kind; one from an outside package goes to the desk until the fleet file says otherwise."""
    return KINDS.get(kind) or KindInfo(kind, (), kind.replace("-", " "), "desk", "inspect")


def route_of(finding: Finding, fleet: Fleet) -> Route:
    """The route of one finding: the kind's own, unless the fleet file names another.

    A filter that its controller washes calls nobody for a rise; missed, cycling and stuck washes do.
    """
    skid = fleet.skid(finding.skid)
    if finding.kind == "dp-rise" and skid is not None and skid.backwash_by == "controller":
        return "desk"
    return fleet.roster.routes.get(finding.kind, kind_info(finding.kind).route)


def most_urgent(routes: Iterable[Route]) -> Route:
    """The route that reaches people soonest; the desk when there is none."""
    return max(routes, key=URGENCY.index, default="desk")


def priority_of(findings: Iterable[Finding]) -> Priority:
    """The priority of a prompt: the highest severity of its findings."""
    return max((finding.severity for finding in findings), key=RANK.index, default="low")


def zone_of(fleet: Fleet, site: str) -> ZoneInfo:
    """The site's time zone; UTC for a site that is no longer in the fleet file."""
    found = next((s for s in fleet.sites if s.id == site), None)
    return ZoneInfo(found.timezone if found else "UTC")


def send_from(now: datetime, route: Route, priority: Priority, fleet: Fleet, site: str) -> datetime | None:
    """The earliest moment at which the prompt may reach a phone; None when it never may (the desk).

    What can wait for the day, and whatever has low priority, waits for the end of quiet hours.
    """
    if route == "desk":
        return None
    if route == "phone" and priority != "low":
        return now
    return after_quiet(now, fleet.roster.quiet_hours, zone_of(fleet, site))


def after_quiet(now: datetime, quiet: tuple[time, time], zone: ZoneInfo) -> datetime:
    """``now``, or the end of the quiet hours that ``now`` falls into (site time; may cross midnight)."""
    start, end = quiet
    here = now.astimezone(zone)
    clock = here.timetz().replace(tzinfo=None)
    inside = start <= clock < end if start <= end else clock >= start or clock < end
    if not inside:
        return now
    day = here.date() if clock < end else here.date() + timedelta(days=1)
    return datetime.combine(day, end, zone).astimezone(UTC)


def duty_list(fleet: Fleet, site: str) -> tuple[Person, ...]:
    """Who is called for ``site``, first to last: the first duty that covers it."""
    people = {person.id: person for person in fleet.roster.people}
    for duty in fleet.roster.duties:
        if not duty.sites or site in duty.sites:
            return tuple(people[person] for person in duty.people)
    return ()


def person_of(fleet: Fleet, who: str) -> Person | None:
    """The person on the roster of that id, phone number or e-mail address."""
    return next((p for p in fleet.roster.people if who in (p.id, p.phone, p.email)), None)


def after(fleet: Fleet, site: str, person: str) -> Person | None:
    """Who comes after ``person`` in the duty for ``site``; the first when ``person`` is not in it."""
    people = duty_list(fleet, site)
    at = next((i for i, p in enumerate(people) if p.id == person), -1)
    return people[at + 1] if at + 1 < len(people) else None


def gas_blocks(findings: Iterable[Finding]) -> bool:
    """True when nobody may be asked to go there: the gas alarm is on, or nobody knows."""
    return any(GAS in finding.hazards for finding in findings)


def hazards_of(finding: Finding, fleet: Fleet) -> frozenset[str]:
    """Every hazard that work on the finding's unit carries: of kind, unit type, and as the detector says.

    An instrument's finding carries those of every unit that the instrument serves.
    """
    skid = fleet.skid(finding.skid)
    units = skid.units if skid else ()
    types = {unit.type for unit in units if finding.unit == unit.id or finding.unit in unit.roles.values()}
    if not types:
        types = {"skid" if on == INSTRUMENT else on for on in kind_info(finding.kind).on}
    known = plugins.load("unit_type")
    by_type = (known[name].member.hazards for name in types if name in known)
    return frozenset(finding.hazards).union(kind_info(finding.kind).hazards, *by_type)
