"""Walks one skid through its minutes: cleans, runs detectors, keeps the ledger, takes hourly snapshots.

Nothing here looks at a clock or a logbook. The walk is the same function of (fleet versions, samples)
whether it goes a minute at a time or a day at a time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import pairwise
from typing import Final

import pyarrow as pa

from analytics import silence
from analytics.blocks import clean
from analytics.carry import Carry
from analytics.cleaning import Rules, rules_of
from analytics.detectors.base import Detector, Draft
from analytics.engine import (
    Key,
    Learnt,
    Memory,
    Said,
    advance,
    on_another_pad,
    pairs,
    stale,
    terms,
    to_bytes,
)
from analytics.grid import Rows, rows_of
from analytics.ledger import Ledger
from analytics.renewals import INSTRUMENT, Renewed, affecting
from analytics.segments import Segment, Versions, segments, tags_of, time_of, used
from skidhand.clock import MINUTE_US
from skidhand.fleet import SkidView
from skidhand.model.finding import finding_id
from skidhand.model.watched import Why

HOUR: Final = 60
RELEARN_DAYS: Final = 30  # how far back a detector re-learns when its version or its numbers change


@dataclass(frozen=True, slots=True)
class _Cause:
    """Why a pair must be learnt, and from which minute on; ``since`` is what people are told."""

    start: int
    since: int
    why: Why = "placement"
    what: str = ""


Reader = Callable[[int, int], pa.Table]
"""Samples of the skid whose source minute lies in [start, stop)."""


@dataclass
class Walk:
    """One skid at the beginning of ``minute``. ``snapshots`` are (watermark, memory) taken on the way.

    ``renewed``: what was renewed on it.
    """

    skid: str
    versions: Versions
    detectors: Mapping[str, Detector]
    memory: Memory
    minute: int
    silent_minutes: int = silence.SILENT_MINUTES
    renewed: Renewed = field(default_factory=dict)
    snapshots: list[tuple[datetime, bytes]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.ledger = Ledger(dict(self.memory.standing))
        self._all_tags = tags_of(self.versions, self.skid)
        if self.memory.began is None:
            self.memory = replace(self.memory, began=self.minute)

    def go(self, stop: int, read: Reader, *, block: int, snapshots_from: int) -> None:
        """Work through the minutes up to ``stop`` in pieces of at most ``block``.

        From minute ``snapshots_from`` on a snapshot is taken at every full hour.
        """
        marks = [renewal.minute for many in self.renewed.values() for renewal in many]
        for segment in segments(self.versions, self.skid, self.minute, stop):
            for start, end in _pieces(segment.start, segment.stop, block, snapshots_from, marks):
                self._piece(replace(segment, start=start, stop=end), read)
                if end >= snapshots_from and end % HOUR == 0:
                    self.snapshots.append((time_of(end), to_bytes(self.memory)))

    def _piece(self, segment: Segment, read: Reader) -> None:
        start, stop, view = segment.start, segment.stop, segment.view
        if segment.placement != self.memory.placement:
            self._begin_anew(segment)
        if view is not None and (keys := stale(view, self.memory, self.detectors, self.renewed, start)):
            self._relearn(keys, segment, view, read)
        if view is not None:
            rules = rules_of(view)
            rows = self._rows(rules, read(start, stop))
            quiet, drafts = silence.step_silence(rows, start, stop, self.memory.silence, self._allowed(view))
            block, carry = clean(view, rows, start, stop, self.memory.carry, rules=rules)
            memory = replace(self.memory, carry=carry, silence=quiet)
            self.memory, said = advance(view, block, memory, self.detectors)
            said += [Said(draft, silence.NAME, silence.VERSION) for draft in drafts]
            self.ledger.say(sorted(said, key=lambda s: s.draft.minute), segment, view)
            self.ledger.link(view, stop)
        self.minute = stop
        self.memory = replace(self.memory, standing=dict(self.ledger.standing), fleets=used(self.versions, stop))

    def _rows(self, rules: Rules, samples: pa.Table) -> Rows:
        others = [tag for tag in self._all_tags if tag not in rules.tags]
        return rows_of(samples, self.skid, [*rules.tags, *others])

    def _allowed(self, view: SkidView) -> int:
        """Minutes of silence that mean nothing yet: a slow skid may miss two reports of its fastest instrument.

        A periodic instrument whose interval is not given counts as fast.
        """
        known = [i for i in view.instruments.values() if i.reporting == "periodic" or i.expected_s]
        every = (max(i.expected_s or 0.0, i.reduce.max_interval if i.reduce else 0.0) for i in known)
        fastest = min(every, default=0.0)
        return max(self.silent_minutes, math.ceil(3.0 * fastest / 60.0))

    def _begin_anew(self, segment: Segment) -> None:
        """Another placement, or none: all ends and is learnt anew but what goes with the equipment."""
        stays = {(d.name, kind) for d in self.detectors.values() for kind in d.learns.stays}
        if self.memory.placement:
            spare = [f.id for f in self.ledger.standing.values() if (f.detector, f.kind) in stays]
            self.ledger.close(segment.start, spare=spare)
        learnt = self.memory.learnt
        if segment.view is not None:
            learnt = on_another_pad(segment.view, self.memory, self.detectors, segment.start)
            self.ledger.take_along(segment.site, segment.start)
        self.memory = Memory(placement=segment.placement, began=self.memory.began, learnt=learnt)

    def _relearn(self, keys: Sequence[Key], segment: Segment, view: SkidView, read: Reader) -> None:
        """States of ``keys`` from the store, under what is in force now; only what still stands is said."""
        causes = {key: self._cause(key, segment, view) for key in keys}
        rules = rules_of(view)
        learning, carry = Memory(), Carry()
        last: dict[tuple[str, str, str], Said] = {}
        start, marks = min(c.start for c in causes.values()), [c.start for c in causes.values()]
        moves = self._moves(start, segment.start)
        for a, b in _pieces(start, segment.start, 24 * HOUR, segment.start, [*marks, *moves]):
            if a in moves:
                learning = replace(learning, learnt=on_another_pad(view, learning, self.detectors, a))
            rows = self._rows(rules, read(a, b))
            block, carry = clean(view, rows, a, b, carry, rules=rules)
            ready = [key for key in keys if causes[key].start <= a]
            learning, said = advance(view, block, learning, self.detectors, only=ready)
            last |= {(s.draft.unit, s.draft.kind, s.draft.run_key): s for s in said}
        learnt = {key: self._learnt(key, cause, view, learning.learnt.get(key)) for key, cause in causes.items()}
        current = {key for key, _, _ in pairs(view, self.detectors)}
        gone = [key for key in self.memory.learnt if key not in current]
        kept = {key: known for key, known in self.memory.learnt.items() if key in current and key not in keys}
        self.memory = replace(self.memory, learnt={**kept, **learnt})
        open_now = [s for s in last.values() if s.draft.ended is None]
        ids = [finding_id(self.skid, s.draft.unit, s.draft.kind, s.draft.run_key) for s in open_now]
        self.ledger.close(segment.start, only=_meant([*keys, *gone], view), spare=ids)
        self.ledger.say([_now(s, segment.start) for s in open_now], segment, view)

    def _cause(self, key: Key, segment: Segment, view: SkidView) -> _Cause:
        """From when on ``key`` must be learnt, and what began it: the last renewal, else the placement.

        What goes with the equipment is learnt from before the placement on, as far back as the store is read.
        """
        detector, unit = self.detectors[key[0]], view.by_id[key[1]]
        began = self.memory.began if self.memory.began is not None else segment.start
        floor = max(began, segment.start - RELEARN_DAYS * 24 * HOUR)
        placed = max(floor, self._placed(segment))
        whole = detector.learns.keeps == detector.state.model_fields.keys()
        start, since = (floor if detector.learns.keeps else placed), (floor if whole else placed)
        known = affecting(self.renewed, detector, unit, after=start - 1, until=segment.start)
        renewal = max(known, default=None)
        if renewal is None:
            return _Cause(start, since)
        if renewal.minute < since:
            return _Cause(renewal.minute, since)
        why: Why = "instrument" if renewal.what == INSTRUMENT else "part"
        return _Cause(renewal.minute, renewal.minute, why, renewal.where if why == "instrument" else renewal.what)

    def _learnt(self, key: Key, cause: _Cause, view: SkidView, known: Learnt | None) -> Learnt:
        detector, unit = self.detectors[key[0]], view.by_id[key[1]]
        state = detector.start(unit, view) if known is None else known.state
        return Learnt(detector.version, terms(view, unit), state, cause.since, cause.why, cause.what)

    def _moves(self, start: int, stop: int) -> set[int]:
        """Minutes in [start, stop) in which the skid came to another pad."""
        placed = [s for s in segments(self.versions, self.skid, start, stop) if s.view is not None]
        return {b.start for a, b in pairwise(placed) if a.placement != b.placement}

    def _placed(self, segment: Segment) -> int:
        """First minute of the present placement, as far back as may be re-learnt."""
        back = segment.start - RELEARN_DAYS * 24 * HOUR
        same = [
            s.start for s in segments(self.versions, self.skid, back, segment.stop) if s.placement == segment.placement
        ]
        return min(same, default=segment.start)


def _now(said: Said, minute: int) -> Said:
    draft: Draft = replace(said.draft, minute=minute)
    return replace(said, draft=draft)


def _meant(keys: Sequence[Key], view: SkidView) -> dict[str, set[str]]:
    """Per detector the units, and their tags, that its findings may stand under."""
    meant: dict[str, set[str]] = {}
    for detector, unit in keys:
        tags = view.by_id[unit].tags.values() if unit in view.by_id else ()
        meant.setdefault(detector, set()).update({unit, *tags})
    return meant


def _pieces(
    start: int, stop: int, block: int, snapshots_from: int, marks: Iterable[int] = ()
) -> Iterator[tuple[int, int]]:
    """[start, stop) in pieces of at most ``block`` minutes, cut at ``marks`` and, from ``snapshots_from`` on, hours."""
    ahead = sorted({mark for mark in marks if start < mark < stop}, reverse=True)
    while start < stop:
        end = min(stop, start + block)
        hour = max(start, snapshots_from) // HOUR * HOUR
        while hour <= start or hour < snapshots_from:
            hour += HOUR
        if hour < end:
            end = hour
        if ahead and ahead[-1] <= end:
            end = ahead.pop()
        yield start, end
        start = end


def cut(table: pa.Table, start: int, stop: int) -> pa.Table:
    """The part of a samples table whose source minutes lie in [start, stop); order is kept."""
    minute = table["time"].cast(pa.int64()).to_numpy() // MINUTE_US
    inside = (minute >= start) & (minute < stop)
    return table if inside.all() else table.filter(pa.array(inside))
