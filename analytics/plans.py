"""What one cycle has to do for one skid: go on from its watermark, or go back first for what has come late."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from analytics.detectors.base import Detector
from analytics.engine import Memory, from_bytes
from analytics.late import News, fleet_changed_at
from analytics.renewals import Renewed, affecting
from analytics.segments import Versions, minute_of, time_of, view_at
from skidhand.logbook.analysis import AnalysisBook, Standing

HORIZON: Final = 7 * 24 * 60  # minutes: late data older than this are left to a rewind on request


@dataclass(slots=True)
class Plan:
    """One skid's work: from ``start`` with ``memory``; minutes before ``until`` are worked through again.

    ``back_to``: the minute that called for it. ``too_old``: new data from there are beyond the horizon.
    """

    skid: str
    memory: Memory
    start: int
    until: int
    cursor: str = ""
    rewound: bool = False
    back_to: int | None = None
    too_old: int | None = None


def plan_skid(
    book: AnalysisBook,
    detectors: Mapping[str, Detector],
    skid: str,
    standing: Standing | None,
    memory: Memory,
    *,
    news: News | None,
    versions: Versions,
    asked: int | None,
    renewed: Renewed,
) -> Plan | None:
    """The plan for ``skid``, None while it has never sent anything. ``asked``: a rewind on request."""
    if standing is None:
        return None if news is None else Plan(skid, memory, news.first, news.first)
    watermark = minute_of(standing.watermark)
    horizon = watermark - HORIZON
    too_old = news.first if news is not None and news.first < horizon else None
    told_late = _told_late(renewed, memory, detectors, versions, skid, watermark)
    back = _back_to(memory, news, versions, watermark, asked, told_late)
    if back is None:
        return Plan(skid, memory, watermark, watermark, too_old=too_old)
    snapshot = book.snapshot_before(skid, time_of(back))
    if snapshot is None:
        start, earlier = min(back, back if memory.began is None else memory.began), Memory()
    else:
        start, earlier = minute_of(snapshot[0]), from_bytes(snapshot[1], detectors)
    return Plan(skid, earlier, start, watermark, rewound=True, back_to=back, too_old=too_old)


def _back_to(
    memory: Memory, news: News | None, versions: Versions, watermark: int, asked: int | None, told_late: int | None
) -> int | None:
    """The minute from which the skid must be worked through again, or None."""
    horizon = watermark - HORIZON
    back = [] if asked is None else [asked]
    if told_late is not None:
        back.append(max(told_late, horizon))
    changed = fleet_changed_at(versions, memory.fleets, watermark)
    if changed is not None:
        back.append(max(changed, horizon))
    if news is not None and news.first < watermark and news.last >= horizon:
        back.append(max(news.first, horizon))
    return min((minute for minute in back if minute < watermark), default=None)


def _told_late(
    renewed: Renewed,
    memory: Memory,
    detectors: Mapping[str, Detector],
    versions: Versions,
    skid: str,
    watermark: int,
) -> int | None:
    """The first minute before ``watermark`` in which something was renewed that the memory does not know of."""
    view = view_at(versions, skid, watermark) if renewed else None
    if view is None:
        return None
    return min(
        (
            renewal.minute
            for (name, unit), known in memory.learnt.items()
            if name in detectors and unit in view.by_id
            for renewal in affecting(renewed, detectors[name], view.by_id[unit], after=known.since, until=watermark - 1)
        ),
        default=None,
    )
