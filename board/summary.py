"""The whole fleet in one picture, read once a tick for all viewers together."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from uuid import UUID

from analytics.tanks import Tank, site_tanks
from board.attention import RANK, SEVERITY, Matter, State, matters
from board.facts import (
    TREND,
    TREND_WIDTH,
    Oil,
    Reading,
    Trend,
    Wash,
    has_filter,
    key_tags,
    next_wash,
    oil_of,
    oil_tag,
    readings_of,
    series_of,
    trend_tag,
    trends_of,
)
from skidhand.clock import Clock, WallClock, monotonic
from skidhand.fleet import Fleet, FleetVersion, Skid
from skidhand.logbook import Logbook
from skidhand.logbook.look import Revision
from skidhand.model.finding import Finding
from skidhand.model.heartbeat import Heartbeat
from skidhand.model.prompt import Prompt, Work
from skidhand.model.samples import series_id
from skidhand.model.watched import Watched
from skidhand.stores.base import Store

LATE: Final = timedelta(minutes=10)
"""Age of the newest sample from which a skid counts as late, before analysis calls it silent."""

TRENDS_S: Final = 300.0  # how long small trends are good for
RETURNED: Final = "returned-unacknowledged"


@dataclass(frozen=True, slots=True)
class Line:
    """One skid as the fleet page tells it; ``matters`` worst first."""

    skid: Skid
    site: str | None
    state: State
    matters: tuple[Matter, ...]
    over: int  # prompts whose matter is over and that nobody has acknowledged
    wash: Wash | None
    oil: Oil | None
    newest: datetime | None
    trend: Trend | None
    work: Work | None
    watched: Watched | None

    @property
    def severity(self) -> str | None:
        """Of the worst matter, while its state is one that calls for somebody."""
        return self.matters[0].finding.severity if self.matters else None

    @property
    def has_filter(self) -> bool:
        """True when the skid has a bed that is washed."""
        return has_filter(self.skid)

    @property
    def order(self) -> tuple[int, int, float, str]:
        """Sorts the worst first: state, severity, what is due first, then by name."""
        worst = self.matters[0] if self.matters else None
        due = worst.finding.forecast.when if worst and worst.finding.forecast else None
        urgent = due.timestamp() if due else worst.finding.onset.timestamp() if worst else 0.0
        return RANK[self.state], SEVERITY.get(self.severity or "", 3), urgent, self.skid.name


@dataclass(frozen=True, slots=True)
class Shared:
    """A tank that the skids of a site share, and what is the matter with it, worst first."""

    tank: Tank
    matters: tuple[Matter, ...]


@dataclass(frozen=True, slots=True)
class Summary:
    """All skids at one tick, worst first. ``version`` differs whenever anything that is shown may differ."""

    version: str
    at: datetime
    took_ms: float
    fleet: FleetVersion
    lines: tuple[Line, ...]
    tanks: tuple[Shared, ...]
    beats: tuple[Heartbeat, ...]


class SummaryKeeper:
    """Makes the summary when something has changed; everybody else gets the last one at once."""

    def __init__(self, store: Store, logbook: Logbook, clock: Clock) -> None:
        self._store = store
        self._logbook = logbook
        self._clock = clock
        self._lock = threading.Lock()
        self._findings: dict[Revision, Finding] = {}
        self._trends: dict[str, Trend] = {}
        self._trends_made = -TRENDS_S
        self._key: tuple[object, ...] | None = None
        self._looked = monotonic()
        self.last: Summary | None = None

    @property
    def blind_s(self) -> float:
        """Seconds since store and logbook could last be looked into."""
        return monotonic() - self._looked

    def get(self) -> Summary | None:
        """The last summary; made now if there is none yet. None while no fleet is in force."""
        return self.last or self.refresh()

    def refresh(self) -> Summary | None:
        """Look whether the tick, the fleet, findings or prompts have changed, and read again if so."""
        with self._lock:
            now = self._clock.now() or WallClock().now()
            tick = now.replace(second=0, microsecond=0)
            key = (tick, self._logbook.fleets.digest(), self._logbook.look.pulse())
            if key != self._key:
                version = self._logbook.fleets.current()
                self.last = None if version is None else self._make(version, now)
                self._key = key
            self._looked = monotonic()
            return self.last

    def _make(self, version: FleetVersion, now: datetime) -> Summary:
        began = monotonic()
        fleet = version.fleet
        self._findings = self._logbook.look.standing(self._findings)
        found = _by_skid(self._findings.values())
        prompts = self._logbook.prompts.open()
        told = {finding: prompt for prompt in prompts for finding in prompt.findings}
        works = self._logbook.look.work()
        over = [prompt.skid for prompt in prompts if prompt.state == RETURNED]
        beats = tuple(self._logbook.heartbeats.all())
        half = [_Half.of(s, found.get(s.id, []), told, [w for w in works if w.skid == s.id and w.begins <= now])
                for s in fleet.skids]  # fmt: skip
        latest = readings_of(self._store.latest([n for s in fleet.skids for n in series_of(s, key_tags(s))]))
        trends = self._trends_at(half, now)
        seen = _last_seen(beats)
        watched = self._logbook.analysis.watched()
        lines = (
            _line(one, fleet, latest, trends, seen.get(one.skid.id), over, watched.get(one.skid.id), now)
            for one in half
        )
        tanks = list(site_tanks(self._store, fleet, now=now))
        took = (monotonic() - began) * 1000.0
        return Summary(
            version=f"{now.timestamp():.0f}-{abs(hash((version.digest, self._logbook.look.pulse()))):x}",
            at=now,
            took_ms=took,
            fleet=version,
            lines=tuple(sorted(lines, key=lambda line: line.order)),
            tanks=tuple(_shared(fleet, tank, tanks, found, told, works) for tank in tanks),
            beats=beats,
        )

    def _trends_at(self, half: list[_Half], now: datetime) -> Mapping[str, Trend]:
        """Small trends: all again when they are old, else only those that nobody has asked for yet."""
        wanted: dict[str, tuple[str, str]] = {}
        for one in half:
            for tag in {one.trend_tag, oil_tag(one.skid)} - {None}:
                wanted[series_id(one.skid.id, str(tag))] = (str(tag), one.skid.instruments[str(tag)].unit)
        old = monotonic() - self._trends_made >= TRENDS_S or self._clock.kind == "stream"
        missing = {name: what for name, what in wanted.items() if old or name not in self._trends}
        if missing:
            buckets = self._store.read_buckets(list(missing), now - TREND, now, TREND_WIDTH)
            self._trends = {**({} if old else self._trends), **trends_of(buckets, missing, now)}
        if old:
            self._trends_made = monotonic()
        return self._trends


@dataclass(frozen=True, slots=True)
class _Half:
    """What of a line follows from the logbook alone."""

    skid: Skid
    findings: list[Finding]
    matters: tuple[Matter, ...]
    trend_tag: str | None
    work: Work | None

    @classmethod
    def of(cls, skid: Skid, found: list[Finding], told: Mapping[UUID, Prompt], works: list[Work]) -> _Half:
        seen = tuple(matters(found, told, works))
        whole = next((work for work in works if work.unit is None), None)
        return cls(skid, found, seen, trend_tag(skid, seen[0].finding if seen else None), whole)


def _line(
    half: _Half,
    fleet: Fleet,
    latest: Mapping[str, Reading],
    trends: Mapping[str, Trend],
    heard: datetime | None,
    over: list[str],
    watched: Watched | None,
    now: datetime,
) -> Line:
    skid = half.skid
    mine = {tag: reading for tag in key_tags(skid) if (reading := latest.get(series_id(skid.id, tag)))}
    newest = max((one.time for one in mine.values()), default=heard)
    place = fleet.placement_at(skid, now)
    tag = oil_tag(skid)
    return Line(
        skid=skid,
        site=place.site if place else None,
        state=_state(half, newest, watched, now),
        matters=half.matters,
        over=over.count(skid.id),
        wash=next_wash(half.findings),
        oil=oil_of(skid, mine, trends.get(series_id(skid.id, tag)) if tag else None),
        newest=newest,
        trend=trends.get(series_id(skid.id, half.trend_tag)) if half.trend_tag else None,
        work=half.work,
        watched=watched,
    )


def _shared(
    fleet: Fleet, tank: Tank, tanks: Sequence[Tank], found: Mapping[str, list[Finding]], told: Mapping[UUID, Prompt],
    works: list[Work],
) -> Shared:  # fmt: skip
    """A tank with what is the matter with it and its instruments; what is the site's alone (no data) is its first's."""
    site = next(one for one in fleet.sites if one.id == tank.place)
    own = {unit.id: {unit.id, *unit.roles.values()} for unit in site.units}
    first = next(one for one in tanks if one.place == tank.place)
    others = set().union(*(names for unit, names in own.items() if unit != tank.unit))
    mine = [
        f for f in found.get(tank.place, []) if f.unit in own[tank.unit] or (tank == first and f.unit not in others)
    ]
    return Shared(tank, tuple(matters(mine, told, works)))


def _state(half: _Half, newest: datetime | None, watched: Watched | None, now: datetime) -> State:
    if half.work is not None:
        return "out"
    told: State = half.matters[0].state if half.matters else _quiet(watched)
    if newest is None:
        return told if RANK[told] == 0 else "unseen"
    if now - newest > LATE and RANK[told] > RANK["late"]:
        return "late"
    return told


def _quiet(watched: Watched | None) -> State:
    """Of a skid of which nothing stands out: whether that means that all is as usual."""
    if watched is None:
        return "well"
    return "unwatched" if watched.not_watched is not None else "learning" if watched.blind else "well"


def _by_skid(findings: Iterable[Finding]) -> dict[str, list[Finding]]:
    sorted_out: dict[str, list[Finding]] = {}
    for one in findings:
        sorted_out.setdefault(one.skid, []).append(one)
    return sorted_out


def _last_seen(beats: Iterable[Heartbeat]) -> dict[str, datetime]:
    seen: dict[str, datetime] = {}
    for beat in beats:
        for skid, moment in beat.last_seen.items():
            seen[skid] = max(moment, seen.get(skid, moment))
    return seen
