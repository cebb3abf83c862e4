"""What a changed limit would have called, over history that the store holds; the real logbook is only read.

Both sides are counted in one way, findings with one root as one call on the route that the fleet file gives,
so that they can be compared; what was really sent also depended on shelving, work and answers of those days.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final, Literal, cast

import yaml

from alerts.routing import by_night, most_urgent, route_of
from analytics.renewals import KINDS as RENEWING
from analytics.service import Analyzer
from skidhand import plugins
from skidhand.clock import ClockKind
from skidhand.errors import FleetFileError, UserError
from skidhand.fleet import Fleet, FleetVersion, parse_fleet
from skidhand.logbook import Logbook
from skidhand.model.finding import Finding
from skidhand.stores.base import Store
from skidhand.unit_types.base import UnitType

LATENESS: Final = timedelta(minutes=1)


@dataclass(frozen=True)
class Change:
    """One limit of one or more units: ``where`` is a unit's id, SKID/UNIT, or a unit type or its last word."""

    where: str
    limit: str
    value: float


@dataclass(frozen=True)
class Calls:
    """Findings first seen in the span, and the calls they make: one for each root. ``night``: of ``phone``."""

    findings: int
    phone: int
    phone_by_day: int
    desk: int
    night: int


@dataclass(frozen=True)
class Difference:
    """One finding as it was and as it would have been; ``earlier_h``: hours that the change detects it earlier."""

    outcome: Literal["gone", "new", "same"]
    skid: str
    unit: str
    kind: str
    onset: datetime
    detected: datetime
    ended: datetime | None
    earlier_h: float | None


@dataclass(frozen=True)
class Backtest:
    """Both sides with their findings, and finding by finding what differs."""

    was: Calls
    would: Calls
    differences: tuple[Difference, ...]
    findings_was: tuple[Finding, ...]
    findings_would: tuple[Finding, ...]


class _Until:
    """A clock that stands at the end of the span."""

    def __init__(self, kind: ClockKind, moment: datetime) -> None:
        self.kind = kind
        self._moment = moment

    def now(self) -> datetime:
        return self._moment


def parse_change(text: str) -> Change:
    """``filter.dp_terminal=10`` as a Change; UserError when it is not of that form."""
    path, equals, number = text.partition("=")
    where, dot, limit = path.strip().rpartition(".")
    try:
        value = float(number)
    except ValueError:
        value = float("nan")
    if not (equals and dot and where and limit) or value != value:
        raise UserError(f"--set {text!r} is not UNIT.LIMIT=NUMBER, for example 'filter.dp_terminal=10'")
    return Change(where, limit, value)


def changed(version: FleetVersion, changes: Sequence[Change]) -> FleetVersion:
    """The fleet file with the limits set; UserError names a unit or limit that there is not, and what there is."""
    data = yaml.safe_load(version.text)
    types = {name: cast(UnitType, plugin.member) for name, plugin in plugins.load("unit_type").items()}
    for change in changes:
        units = [unit for unit in _units(data) if _meant(change.where, *unit)]
        if not units:
            known = sorted({unit["id"] for _, unit in _units(data)} | {unit["type"] for _, unit in _units(data)})
            raise UserError(f"no unit {change.where!r} in the fleet file; there are {', '.join(known)}")
        for _, unit in units:
            limits = types[unit["type"]].limits
            if change.limit not in limits:
                there = f"it has {', '.join(sorted(limits))}" if limits else "it has none"
                raise UserError(f"{unit['type']} {unit['id']!r} has no limit {change.limit!r}; {there}")
            unit.setdefault("limits", {})[change.limit] = change.value
    try:
        return parse_fleet(yaml.safe_dump(data, sort_keys=False), "fleet file with --set")
    except FleetFileError as error:
        raise UserError(f"that change makes no valid fleet file: {error}") from error


def _units(data: Mapping[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    rooms = [*data.get("skids", []), *data.get("sites", [])]
    return [(str(room["id"]), unit) for room in rooms for unit in room.get("units") or []]


def _meant(where: str, room: str, unit: Mapping[str, Any]) -> bool:
    type_name = str(unit["type"])
    return where in (unit["id"], f"{room}/{unit['id']}", type_name, type_name.rpartition("_")[2])


def backtest(store: Store, logbook: Logbook, changes: Sequence[Change], since: datetime, until: datetime) -> Backtest:
    """Analyse the store anew up to ``until`` with ``changes`` in every fleet version, and compare from ``since`` on.

    The analysis begins at the store's first sample, for a detector learns from what came before ``since``.
    """
    versions = logbook.fleets.versions()
    if not versions:
        raise UserError("no fleet is in force in this logbook: there is nothing to compare with")
    fleet = versions[-1][1].fleet
    kind: ClockKind = "stream" if logbook.database.clock_kind() == "stream" else "wall"
    with (
        tempfile.TemporaryDirectory(prefix="skidhand-backtest-") as folder,
        Logbook(str(Path(folder) / "b.db")) as book,
    ):
        book.guard_clock(kind)
        for effective, version in versions:
            book.fleets.apply(changed(version, changes), effective=effective, who="backtest")
        book.entries.add_new(entry for kind in RENEWING for entry in logbook.entries.all(kind=kind, until=until))
        Analyzer(store, book, clock=_Until(kind, until + LATENESS), owner="backtest").run_once()
        would = _within(book.analysis.current(), since, until)
    was = _within(logbook.analysis.current(), since, until)
    return Backtest(calls(was, fleet), calls(would, fleet), tuple(differences(was, would)), tuple(was), tuple(would))


def _within(findings: Iterable[Finding], since: datetime, until: datetime) -> list[Finding]:
    return [f for f in findings if f.state != "superseded" and since <= f.detected < until]


def calls(findings: Sequence[Finding], fleet: Fleet) -> Calls:
    """How the findings would be routed, one call for those that share a root."""
    groups: dict[object, list[Finding]] = {}
    for finding in findings:
        groups.setdefault(finding.root or finding.id, []).append(finding)
    routes = {root: most_urgent(route_of(finding, fleet) for finding in group) for root, group in groups.items()}
    counts = {route: list(routes.values()).count(route) for route in ("phone", "phone-by-day", "desk")}
    night = sum(
        by_night(min(finding.detected for finding in group), fleet, group[0].site)
        for root, group in groups.items()
        if routes[root] == "phone"
    )
    return Calls(len(findings), counts["phone"], counts["phone-by-day"], counts["desk"], night)


def differences(was: Sequence[Finding], would: Sequence[Finding]) -> list[Difference]:
    """Pairs of one kind on one unit whose times overlap are the same; what finds no partner is gone or new."""
    left = sorted(would, key=lambda finding: finding.detected)
    out: list[Difference] = []
    for old in sorted(was, key=lambda finding: finding.detected):
        partner = next((new for new in left if _overlap(old, new)), None)
        if partner is None:
            out.append(_difference("gone", old, None))
        else:
            left.remove(partner)
            out.append(_difference("same", partner, (old.detected - partner.detected) / timedelta(hours=1)))
    return sorted([*out, *(_difference("new", new, None) for new in left)], key=lambda row: row.detected)


def _overlap(one: Finding, other: Finding) -> bool:
    same = (one.skid, one.unit, one.kind) == (other.skid, other.unit, other.kind)
    return same and _begins_before_end(one, other) and _begins_before_end(other, one)


def _begins_before_end(one: Finding, other: Finding) -> bool:
    return other.ended is None or min(one.onset, one.detected) <= other.ended


def _difference(outcome: Literal["gone", "new", "same"], finding: Finding, earlier_h: float | None) -> Difference:
    return Difference(
        outcome, finding.skid, finding.unit, finding.kind, finding.onset, finding.detected, finding.ended, earlier_h
    )
