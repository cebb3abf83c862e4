"""Which fleet version is in effect when, and where a skid stood: spans of minutes in which neither changes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Final

from skidhand.clock import MINUTE_US
from skidhand.fleet import Fleet, FleetVersion, SkidView, site_view, skid_view
from skidhand.fleet.model import Site
from skidhand.model.samples import micros, moment

Versions = Sequence[tuple[datetime, FleetVersion]]


@dataclass(frozen=True, slots=True)
class Segment:
    """Minutes [start, stop) of one skid. ``view`` is None where it stands nowhere or is not in the fleet."""

    start: int
    stop: int
    fleet: str  # digest of the version
    site: str = ""
    placement: str = ""  # names the placement; baselines begin anew with another one
    view: SkidView | None = None


_VIEWS: Final[dict[tuple[str, str], SkidView | None]] = {}  # by (digest, skid): views are dear and never change
_MOST_VIEWS: Final = 4096


def _view(version: FleetVersion, skid: str) -> SkidView | None:
    key = version.digest, skid
    if key not in _VIEWS:
        if len(_VIEWS) >= _MOST_VIEWS:
            _VIEWS.clear()
        found, site = version.fleet.skid(skid), _site(version.fleet, skid)
        _VIEWS[key] = skid_view(found) if found is not None else None if site is None else site_view(site)
    return _VIEWS[key]


def _site(fleet: Fleet, name: str) -> Site | None:
    """The site of that id, if tanks that its skids share stand there: analysed like a skid that never moves."""
    found = (site for site in fleet.sites if site.id == name and site.units)
    return next(found, None) if fleet.skid(name) is None else None


def minute_of(time: datetime) -> int:
    """The minute that begins at ``time``, or the next one."""
    return -(-micros(time) // MINUTE_US)


def time_of(minute: int) -> datetime:
    """When the minute begins."""
    return moment(minute * MINUTE_US)


def in_effect(versions: Versions, minute: int) -> FleetVersion:
    """The version in effect in ``minute``: of those effective by then the latest; before all, the first."""
    known = [(minute_of(at), i) for i, (at, _) in enumerate(versions)]
    by_then = [entry for entry in known if entry[0] <= minute]
    return versions[max(by_then)[1] if by_then else min(known)[1]][1]


def used(versions: Versions, until: int) -> tuple[tuple[int, str], ...]:
    """(minute from which it is in effect, digest) of every version effective before minute ``until``."""
    return tuple(sorted((minute_of(at), v.digest) for at, v in versions if minute_of(at) < until))


def segments(versions: Versions, skid: str, start: int, stop: int) -> Iterator[Segment]:
    """The segments that make up [start, stop), in order."""
    marks = {start, *(minute_of(at) for at, _ in versions)}
    for _, version in versions:
        found = version.fleet.skid(skid)
        for placement in found.placements if found else ():
            begin, end = version.fleet.placement_span(placement)
            marks |= {minute_of(begin)} | (set() if end is None else {minute_of(end)})
    edges = [*sorted(m for m in marks if start <= m < stop), stop]
    for a, b in pairwise(edges):
        yield _segment(in_effect(versions, a), skid, a, b)


def _segment(version: FleetVersion, skid: str, start: int, stop: int) -> Segment:
    fleet = version.fleet
    if (site := _site(fleet, skid)) is not None:
        return Segment(start, stop, version.digest, site.id, site.id, _view(version, skid))
    found = fleet.skid(skid)
    placement = None if found is None else fleet.placement_at(found, time_of(start))
    if placement is None:
        return Segment(start, stop, version.digest)
    begin, _ = fleet.placement_span(placement)
    key = f"{placement.site} {begin.isoformat()}"
    return Segment(start, stop, version.digest, placement.site, key, _view(version, skid))


def view_at(versions: Versions, skid: str, minute: int) -> SkidView | None:
    """The skid as it stands in ``minute``; None where it stands nowhere."""
    return _segment(in_effect(versions, minute), skid, minute, minute + 1).view


def skids_of(versions: Versions) -> list[str]:
    """Ids of every skid, and of every site with tanks that its skids share, that any version knows, sorted."""
    fleets = [version.fleet for _, version in versions]
    skids = {skid.id for fleet in fleets for skid in fleet.skids}
    return sorted(skids | {site.id for fleet in fleets for site in fleet.sites if site.units})


def tags_of(versions: Versions, skid: str) -> list[str]:
    """Every tag that any version gives the skid, sorted."""
    found = (version.fleet.skid(skid) or _site(version.fleet, skid) for _, version in versions)
    return sorted({tag for one in found if one is not None for tag in one.instruments})
