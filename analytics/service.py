"""The analysis loop: leases, ticks, one read a cycle, rewinding for late data, few commits.

A tick is a watermark on the one-minute grid: now less the allowed lateness. What the walk says, the
memory, the cursor and the snapshots of a skid go to the logbook in one transaction, that of several skids
together, so that a kill at any moment loses nothing and doubles nothing.
"""

from __future__ import annotations

import threading
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Final

import pyarrow as pa
import structlog

from analytics import silence
from analytics.detectors.base import Detector
from analytics.engine import Memory, builtin_detectors, from_bytes, to_bytes
from analytics.follow import Summary, follow
from analytics.late import News, by_skid, news_by_skid
from analytics.learning import watched
from analytics.ledger import numbered, reconcile
from analytics.plans import HORIZON, Plan, plan_skid
from analytics.renewals import KINDS, Renewed, renewals
from analytics.segments import Versions, minute_of, skids_of, tags_of, time_of, view_at
from analytics.walk import HOUR, Walk, cut
from skidhand.clock import MINUTE_US, Clock, monotonic
from skidhand.logbook import Logbook
from skidhand.logbook.analysis import Standing, Worked
from skidhand.model.finding import Finding
from skidhand.model.samples import SAMPLES, micros, series_id
from skidhand.stores.base import Store

LEASE_S: Final = 120.0
TOGETHER: Final = 3 * HOUR  # minutes: skids that are no further behind than this share one read
COMMIT_S: Final = 1.0  # seconds for which what is done waits for more, to be written to the disk together
LOOK_BACK: Final = timedelta(days=90)  # onset of findings that a rewind may still take back

_log = structlog.get_logger(__name__)


class Analyzer:
    """Analyses every skid of the fleet that no other analyser holds.

    ``owner`` names this process in leases and heartbeats. ``lateness_s`` is how long a minute waits for
    its stragglers, ``block_minutes`` how many minutes are worked through (and committed) at once when
    behind. ``detectors`` are those installed unless a test gives others.
    """

    def __init__(
        self,
        store: Store,
        logbook: Logbook,
        *,
        clock: Clock,
        owner: str,
        lateness_s: float = 60.0,
        block_minutes: int = 1440,
        silent_minutes: int = silence.SILENT_MINUTES,
        detectors: Mapping[str, Detector] | None = None,
    ) -> None:
        self._store, self._logbook, self._clock, self._owner = store, logbook, clock, owner
        self._late_us = round(lateness_s * 1e6)
        self._block = block_minutes
        self._silent = silent_minutes
        self._detectors = builtin_detectors() if detectors is None else detectors
        self._cache: dict[str, tuple[Standing, Memory]] = {}
        self._leased: dict[str, float] = {}
        self._asked: dict[str, int] = {}
        self._renewed: dict[str, Renewed] = {}
        self._heard: tuple[object, ...] = ()

    def run_once(self, skids: Collection[str] | None = None) -> Summary:
        """One cycle up to the present tick, of all skids or of ``skids``; does nothing while no time is known or no
        fleet is in force.
        """
        now = self._clock.now()
        versions = self._logbook.fleets.versions()
        if now is None or not versions:
            return Summary()
        tick = (micros(now) - self._late_us) // MINUTE_US
        self._hear(versions)
        summary = Summary(tick=time_of(tick))
        mine = self._take(skids_of(versions) if skids is None else sorted(skids), summary)
        plans = self._plans(mine, versions, tick, summary)
        cycle = _Cycle(versions, tick, summary, *self._read_together(plans, versions, tick))
        for plan in plans:
            self._work(plan, cycle)
        self._commit(cycle)
        summary.skids = len(mine)
        behind = [micros(now) - micros(self._cache[skid][0].watermark) for skid in mine if skid in self._cache]
        summary.behind_s = max(behind, default=0) / 1e6
        return summary

    def follow(self, interval_s: float, stop: threading.Event) -> None:
        """Cycle after cycle until ``stop`` is set, with a heartbeat each; waits out what is away."""
        follow(self.run_once, self._logbook, self._owner, interval_s, stop)
        self.release()

    def rewind(self, skid: str, to: datetime) -> None:
        """On request: the next cycle works ``skid`` through again from ``to`` on, however old that is."""
        self._drop(skid)
        self._asked[skid] = minute_of(to)

    def release(self) -> None:
        """Give all leases back."""
        self._logbook.leases.release_all([_lease(skid) for skid in self._leased], self._owner)
        self._leased.clear()

    def _take(self, skids: Sequence[str], summary: Summary) -> list[str]:
        """Those of ``skids`` that are this analyser's; leases that are due are renewed in one transaction."""
        now = monotonic()
        due = [skid for skid in skids if self._leased.get(skid, float("-inf")) <= now]
        taken = self._logbook.leases.take_all([_lease(skid) for skid in due], self._owner, LEASE_S) if due else set()
        for skid in due:
            if _lease(skid) in taken:
                self._leased[skid] = now + LEASE_S / 3
            else:
                self._lose(skid, summary)
        return [skid for skid in skids if skid in self._leased]

    def _lose(self, skid: str, summary: Summary) -> None:
        self._drop(skid)
        if skid not in summary.not_ours:
            summary.not_ours.append(skid)

    def _drop(self, skid: str) -> None:
        self._cache.pop(skid, None)
        self._leased.pop(skid, None)

    def _hear(self, versions: Versions) -> None:
        """What people wrote of renewed parts and adjusted instruments, once there is something new."""
        count = self._logbook.entries.count(KINDS)
        heard = (count, *(version.digest for _, version in versions))
        if heard != self._heard:
            entries = [entry for kind in KINDS for entry in self._logbook.entries.all(kind=kind)]
            self._renewed, self._heard = renewals(entries, versions), heard

    def _plans(self, skids: Sequence[str], versions: Versions, tick: int, summary: Summary) -> list[Plan]:
        news: dict[str | None, tuple[str, dict[str, News]]] = {}
        plans, standings = [], self._logbook.analysis.standings(skids)
        for skid in skids:
            standing = standings.get(skid)
            memory = Memory() if standing is None else self._memory(standing)
            cursor = None if standing is None else standing.cursor
            if cursor not in news:
                changes = self._store.changes(cursor)
                news[cursor] = changes.cursor, news_by_skid(changes.spans)
            now, arrived = news[cursor]
            plan = plan_skid(
                self._logbook.analysis,
                self._detectors,
                skid,
                standing,
                memory,
                news=arrived.get(skid),
                versions=versions,
                asked=self._asked.get(skid),
                renewed=self._renewed.get(skid, {}),
            )
            if plan is None:
                continue
            if plan.back_to is not None:
                summary.rewound[skid] = time_of(plan.back_to)
            if plan.too_old is not None:
                summary.too_old[skid] = time_of(plan.too_old)
            if plan.rewound or plan.start < tick:
                plans.append(replace(plan, cursor=now))
        return plans

    def _memory(self, standing: Standing) -> Memory:
        cached = self._cache.get(standing.skid)
        if cached is None or cached[0] != standing:
            cached = self._cache[standing.skid] = (standing, from_bytes(standing.state, self._detectors))
        return cached[1]

    def _read_together(
        self, plans: Sequence[Plan], versions: Versions, tick: int
    ) -> tuple[int, Mapping[str, pa.Table]]:
        """One read for all skids that are nearly up to date: from which minute on, and a table a skid."""
        near = [plan for plan in plans if tick - plan.start <= TOGETHER]
        if not near:
            return tick, {}
        start = min(plan.start for plan in near)
        series = [name for plan in near for name in _series(versions, plan.skid)]
        return start, by_skid(self._read(series, start, tick))

    def _read(self, series: Sequence[str], start: int, stop: int) -> pa.Table:
        return self._store.read(series, time_of(start), time_of(stop)) if series else SAMPLES.empty_table()

    def _work(self, plan: Plan, cycle: _Cycle) -> None:
        series, tick = _series(cycle.versions, plan.skid), cycle.tick

        def read(start: int, stop: int) -> pa.Table:
            self._take(list(self._leased), cycle.summary)
            if start >= cycle.start:
                return cut(cycle.tables.get(plan.skid, SAMPLES.empty_table()), start, stop)
            return self._read(series, start, stop)

        renewed = self._renewed.get(plan.skid, {})
        walk = Walk(plan.skid, cycle.versions, self._detectors, plan.memory, plan.start, self._silent, renewed)
        keep = tick - HORIZON - HOUR
        changed: list[Finding] = []
        if plan.rewound:
            walk.go(plan.until, read, block=self._block, snapshots_from=keep)
            changed = self._second_pass(plan, walk, tick)
            cycle.summary.minutes += plan.until - plan.start
        while True:
            before = walk.minute
            walk.go(min(max(tick, before), before + self._block), read, block=self._block, snapshots_from=keep)
            cycle.summary.minutes += walk.minute - before
            cycle.done.append((self._worked(plan, walk, [*changed, *walk.ledger.revisions], keep), walk.memory))
            walk.snapshots, walk.ledger.revisions, changed, plan.rewound = [], [], [], False
            if walk.minute >= tick:
                break
            self._commit(cycle)
            if plan.skid not in self._leased:
                return
        if monotonic() - cycle.committed > COMMIT_S:
            self._commit(cycle)

    def _second_pass(self, plan: Plan, walk: Walk, tick: int) -> list[Finding]:
        book = self._logbook.analysis
        start = time_of(plan.start)
        known = {f.id: f for f in book.current(skid=plan.skid, since=start - LOOK_BACK, superseded=True)}
        older = map(self._logbook.look.finding, (walk.ledger.standing.keys() | walk.ledger.told) - known.keys())
        known.update({f.id: f for f in older if f is not None})
        changed = reconcile(walk.ledger, list(known.values()), start, time_of(plan.until), time_of(tick))
        walk.ledger.revisions, walk.ledger.told = [], set()
        walk.memory = replace(walk.memory, standing=dict(walk.ledger.standing))
        return changed

    def _worked(self, plan: Plan, walk: Walk, changed: Sequence[Finding], keep: int) -> Worked:
        view = view_at(walk.versions, plan.skid, walk.minute)
        return Worked(
            Standing(plan.skid, plan.cursor, time_of(walk.minute), to_bytes(walk.memory)),
            numbered(changed, self._logbook.look.finding),
            watched=None if view is None else watched(view, walk.memory, self._detectors, walk.minute),
            snapshots_at=walk.snapshots,
            rewound_to=time_of(plan.start) if plan.rewound else None,
            keep_snapshots_from=time_of(keep),
        )

    def _commit(self, cycle: _Cycle) -> None:
        """All that is done and not written yet, in one transaction; another analyser's skids are left to it."""
        if not cycle.done:
            return
        lost = self._logbook.analysis.commit(*(worked for worked, _ in cycle.done), owner=self._owner)
        for worked, memory in cycle.done:
            skid = worked.standing.skid
            if skid in lost:
                _log.warning("lost a skid to another analyser", skid=skid, holder=lost[skid] or "nobody")
                self._lose(skid, cycle.summary)
                continue
            self._cache[skid] = (worked.standing, memory)
            self._asked.pop(skid, None)
            cycle.summary.findings += len(worked.changed)
        cycle.done, cycle.committed = [], monotonic()


@dataclass
class _Cycle:
    """What is the same for all skids of a cycle. ``tables``: what was read for several of them at once, minutes from
    ``start`` on. ``done`` is not written yet, at most one entry a skid; ``committed`` is when the last was.
    """

    versions: Versions
    tick: int
    summary: Summary
    start: int
    tables: Mapping[str, pa.Table]
    done: list[tuple[Worked, Memory]] = field(default_factory=list)
    committed: float = field(default_factory=monotonic)


def _lease(skid: str) -> str:
    return f"analyze:{skid}"


def _series(versions: Versions, skid: str) -> list[str]:
    return [series_id(skid, tag) for tag in tags_of(versions, skid)]
