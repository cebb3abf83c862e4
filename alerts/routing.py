"""Where a finding goes: phone or desk, now or when the night is over, and to whom."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from skidhand import plugins
from skidhand.fleet import Fleet
from skidhand.fleet.duty import on_duty, zone_of
from skidhand.fleet.roster import Delay, Hours, Person
from skidhand.model.finding import Finding
from skidhand.model.kinds import INSTRUMENT, KINDS, KindInfo, Route, Severity
from skidhand.model.prompt import Priority, Prompt

__all__ = ["zone_of"]

URGENCY: Final[tuple[Route, ...]] = ("desk", "phone-by-day", "phone")
RANK: Final[tuple[Severity, ...]] = ("low", "medium", "high")
GAS: Final = "gas-alarm"
"""Hazard code of a finding made while the unit's gas alarm is on or its signal is stale."""

WASHES: Final = frozenset({"backwash-missed", "backwash-cycling", "backwash-stuck"})
"""All that somebody is called for where the controller washes the filter."""
SPARE: Final = timedelta(days=1)
"""An order is asked for so long before the delivery time would be used up: common practice, no source."""


def kind_info(kind: str) -> KindInfo:
    """What is known of a kind; one from an outside package goes to the desk until the fleet file says otherwise."""
    return KINDS.get(kind) or KindInfo(kind, (), kind.replace("-", " "), "desk", "inspect")


def delay_of(kind: str, fleet: Fleet) -> Delay:
    """On-delay, off-delay and deadband of a kind.

    None unless the fleet file sets them: detectors judge on a grid of one minute and ask for persistence, which is
    more than the 15 to 60 s that EEMUA 191 (alarm systems, 3rd ed.) suggests for flow, pressure and temperature.
    """
    return fleet.roster.delays.get(kind, Delay())


def route_of(finding: Finding, fleet: Fleet) -> Route:
    """The route of one finding: the kind's own, unless the fleet file names another.

    A filter that its controller washes calls a person only when the wash is missed, cycles or is stuck.
    """
    skid = fleet.skid(finding.skid)
    by_controller = skid is not None and skid.backwash_by == "controller"
    if by_controller and "media_filter" in kind_info(finding.kind).on and _is_about_washing(finding):
        return "desk"
    return fleet.roster.routes.get(finding.kind, kind_info(finding.kind).route)


def _is_about_washing(finding: Finding) -> bool:
    return kind_info(finding.kind).prompt == "backwash" and finding.kind not in WASHES


def most_urgent(routes: Iterable[Route]) -> Route:
    """The route that reaches people soonest; the desk when there is none."""
    return max(routes, key=URGENCY.index, default="desk")


def priority_of(findings: Iterable[Finding]) -> Priority:
    """The priority of a prompt: the highest severity of its findings."""
    return max((finding.severity for finding in findings), key=RANK.index, default="low")


def send_from(
    now: datetime, route: Route, priority: Priority, fleet: Fleet, site: str, person: Person | None = None
) -> datetime | None:
    """The earliest moment at which the prompt may reach a phone; None when it never may (the desk).

    What can wait for the day waits for the end of the night, and each priority for that of its quiet hours: of the
    site's clock, or of the person's own where the roster gives them a time zone.
    """
    if route == "desk":
        return None
    zone = ZoneInfo(person.timezone) if person is not None and person.timezone else zone_of(fleet, site)
    quiet = fleet.roster.quiet_hours.get(priority)
    if route == "phone-by-day":
        now = after_quiet(now, fleet.roster.night, zone)
    return now if quiet is None else after_quiet(now, quiet, zone)


def by_night(now: datetime, fleet: Fleet, site: str) -> bool:
    """True in the hours in which what can wait waits: then a text may wake nobody."""
    return after_quiet(now, fleet.roster.night, zone_of(fleet, site)) > now


def after_quiet(now: datetime, quiet: Hours, zone: ZoneInfo) -> datetime:
    """``now``, or the end of the quiet hours that ``now`` falls into (clock of ``zone``; may cross midnight)."""
    start, end = quiet
    here = now.astimezone(zone)
    clock = here.timetz().replace(tzinfo=None)
    inside = start <= clock < end if start <= end else clock >= start or clock < end
    if not inside:
        return now
    day = here.date() if clock < end else here.date() + timedelta(days=1)
    return datetime.combine(day, end, zone).astimezone(UTC)


def order_from(now: datetime, findings: Iterable[Finding], fleet: Fleet) -> datetime:
    """When an order must be asked for: the days left, less delivery time and a day; ``now`` if that is past."""
    empty = [finding.forecast.low for finding in findings if finding.forecast is not None]
    lead = timedelta(days=fleet.roster.lead_days) + SPARE
    return max(now, min(empty) - lead) if empty else now


def line(prompt: Prompt, findings: Iterable[Finding], fleet: Fleet, at: datetime) -> tuple[Person, ...]:
    """Who may be told at ``at``, first to last: the dispatcher of an order, those with the skills, all others."""
    people = on_duty(fleet, prompt.site, at, prompt.priority)
    wanted = skills_of(findings, fleet)
    people = tuple(sorted(people, key=lambda person: not wanted <= set(person.skills)))
    dispatcher = fleet.roster.person(fleet.roster.dispatcher or "")
    if prompt.kind == "order" and dispatcher is not None:
        return (dispatcher, *(person for person in people if person != dispatcher))
    return people


def skills_of(findings: Iterable[Finding], fleet: Fleet) -> frozenset[str]:
    """What somebody must be able to do, by kind, prompt kind and unit type of the findings."""
    named = fleet.roster.skills
    if not named:
        return frozenset()
    keys = {
        key for finding in findings for key in (finding.kind, kind_info(finding.kind).prompt, *types_of(finding, fleet))
    }
    return frozenset(skill for key, skill in named.items() if key in keys)


def person_of(fleet: Fleet, who: str) -> Person | None:
    """The person on the roster of that id, phone number or e-mail address."""
    return fleet.roster.person(who)


def gas_blocks(findings: Iterable[Finding]) -> bool:
    """True when nobody may be asked to go there: the gas alarm is on, or nobody knows."""
    return any(GAS in finding.hazards for finding in findings)


def types_of(finding: Finding, fleet: Fleet) -> set[str]:
    """Types of the unit that the finding is about; an instrument's are those of every unit that it serves."""
    skid = fleet.skid(finding.skid)
    units = skid.units if skid else ()
    return {unit.type for unit in units if finding.unit == unit.id or finding.unit in unit.roles.values()}


def hazards_of(finding: Finding, fleet: Fleet) -> frozenset[str]:
    """Every hazard that work on the finding's unit carries: of kind, unit type, and as the detector says."""
    types = types_of(finding, fleet)
    if not types:
        types = {"skid" if on == INSTRUMENT else on for on in kind_info(finding.kind).on}
    known = plugins.load("unit_type")
    by_type = (known[name].member.hazards for name in types if name in known)
    return frozenset(finding.hazards).union(kind_info(finding.kind).hazards, *by_type)
