"""Findings against the truth: found, missed, false, cause, delay. Pure; knows nothing of detectors.

A finding may answer an event of its own kind on its own skid, and unit or tag where the event names one,
if it was detected between the event's onset (less a little) and its end plus some grace. Pairs are one to
one, the most events first and among those the least total delay. What is left over is missed (an event
that nobody need have found is not) or false.
Taken-back findings count for nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from statistics import median
from typing import Final

import numpy as np
from pydantic import BaseModel, ConfigDict
from scipy.optimize import linear_sum_assignment

from skidhand.model.finding import Finding
from skidhand.model.truth import Backwash, Truth, TruthEvent

EARLY: Final = timedelta(minutes=30)  # a truth's onset is the fault's begin; a detector cannot know before
GRACE: Final = timedelta(hours=6)  # effects outlast their causes: beds and tanks remember for hours
FORECASTS: Final = frozenset({"dp-rise"})  # belong to one run of the filter: no grace after its wash
MONTH: Final = timedelta(days=30.4375)


class Result(BaseModel):
    """A block of the answer; JSON-able."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Match(Result):
    """One event and what became of it. Delays in minutes, after onset and after when it could be known."""

    event: str
    kind: str
    skid: str
    unit: str | None
    found: bool
    required: bool = True
    finding: str | None = None
    detected: datetime | None = None
    delay_min: float | None = None
    delay_knowable_min: float | None = None
    in_time: bool | None = None
    expected_cause: str | None = None
    cause: str | None = None
    cause_right: bool | None = None


class KindScore(Result):
    """One kind over all skids. ``median_delay_min`` of those found."""

    kind: str
    events: int
    found: int
    missed: int
    false: int
    cause_right: int
    median_delay_min: float | None


class FalseCall(Result):
    """A finding that answers nothing; ``during`` names the look-alike that it fell for, if one was on."""

    finding: str
    kind: str
    skid: str
    unit: str
    detected: datetime
    cause_class: str
    during: str | None = None


class WashScore(Result):
    """Forecasts of washes: how many washes a call came before, with how many hours' notice.

    ``median_error_h``: forecast less wash, by what each run's first finding forecast last.
    """

    washes: int
    forewarned: int
    median_notice_h: float | None
    median_error_h: float | None
    unborne: int  # forecasts whose latest time has passed without a wash


class Score(Result):
    """All of it. ``lookalike_violations``: false calls of class equipment while a look-alike was on."""

    scenario: str
    skid_months: float
    events: int
    found: int
    missed: int
    false: int
    false_per_skid_month: float
    cause_right: int
    lookalike_violations: int
    kinds: tuple[KindScore, ...]
    matches: tuple[Match, ...]
    false_calls: tuple[FalseCall, ...]
    washes: WashScore


def score(findings: Iterable[Finding], truth: Truth, *, grace: timedelta = GRACE) -> Score:
    """Current findings (last revisions) against the truth of the same time span."""
    places = {*truth.skids, *truth.sites}
    current = [f for f in findings if f.state != "superseded" and f.skid in places]
    judged = [e for e in truth.events if e.kind is not None]
    pairs = _pair(current, judged, grace)
    matches = tuple(_match(event, pairs.get(event.id)) for event in judged)
    answered = {f.id for f in pairs.values()}
    left = [f for f in current if f.id not in answered]
    # More than one finding about one event is a repeat, not a false call.
    false = [f for f in left if not any(_fits(f, e, grace) for e in judged)]
    # What an unfinished chain explains (a root) is part of its root's story.
    false = [f for f in false if f.root is None or f.root not in answered]
    calls = tuple(_false_call(f, truth, grace) for f in sorted(false, key=lambda f: (f.detected, str(f.id))))
    months = len(truth.skids) * (truth.end - truth.start) / MONTH
    return Score(
        scenario=truth.scenario,
        skid_months=months,
        events=sum(m.required or m.found for m in matches),
        found=sum(m.found for m in matches),
        missed=sum(m.required and not m.found for m in matches),
        false=len(calls),
        false_per_skid_month=len(calls) / months if months else 0.0,
        cause_right=sum(bool(m.cause_right) for m in matches),
        lookalike_violations=sum(c.during is not None and c.cause_class == "equipment" for c in calls),
        kinds=_by_kind(matches, calls),
        matches=matches,
        false_calls=calls,
        washes=_washes([f for f in current if f.kind in FORECASTS], truth.backwashes, truth.end),
    )


def _fits(finding: Finding, event: TruthEvent, grace: timedelta) -> bool:
    if (finding.kind, finding.skid) != (event.kind, event.skid):
        return False
    named = {name for name in (event.unit, event.tag) if name is not None}
    if named and finding.unit not in named:
        return False
    # Something that only stopped being held against the same, long-standing finding began before.
    until = None if event.ended is None else event.ended + (timedelta() if event.kind in FORECASTS else grace)
    return event.onset - EARLY <= finding.detected and (until is None or finding.detected <= until)


def _pair(findings: Sequence[Finding], events: Sequence[TruthEvent], grace: timedelta) -> dict[str, Finding]:
    """One finding for each event: as many required events as can be, then as many, then the nearest in time."""
    if not findings or not events:
        return {}
    never, dear = 1e12, 1e8  # minutes: far more than any delay, so that what is required comes first
    cost = np.full((len(events), len(findings)), never)
    for i, event in enumerate(events):
        for j, finding in enumerate(findings):
            if _fits(finding, event, grace):
                cost[i, j] = abs((finding.detected - event.onset).total_seconds()) / 60.0 - dear * event.required
    rows, columns = linear_sum_assignment(cost)
    chosen = zip(rows.tolist(), columns.tolist(), strict=True)
    return {events[i].id: findings[j] for i, j in chosen if cost[i, j] < never}


def told_at(finding: Finding) -> datetime:
    """When a person could first read it: late findings only once the late data were in."""
    return max(finding.detected, finding.watermark) if finding.late else finding.detected


def _match(event: TruthEvent, finding: Finding | None) -> Match:
    kind = event.kind or ""
    if finding is None:
        return Match(event=event.id, kind=kind, skid=event.skid, unit=event.unit, found=False,
                     required=event.required, expected_cause=event.cause)  # fmt: skip
    told = told_at(finding)
    return Match(
        event=event.id,
        kind=kind,
        skid=event.skid,
        unit=event.unit,
        found=True,
        required=event.required,
        finding=str(finding.id),
        detected=told,
        delay_min=_minutes(told - event.onset),
        delay_knowable_min=None if event.knowable is None else _minutes(told - event.knowable),
        in_time=None if event.too_late is None else told <= event.too_late,
        expected_cause=event.cause,
        cause=finding.cause,
        cause_right=None if event.cause is None else finding.cause == event.cause,
    )


def _false_call(finding: Finding, truth: Truth, grace: timedelta) -> FalseCall:
    during = next(
        (
            e.id
            for e in truth.events
            if e.lookalike
            and e.skid == finding.skid
            and e.onset - EARLY <= finding.detected
            and (e.ended is None or finding.detected <= e.ended + grace)
        ),
        None,
    )
    return FalseCall(
        finding=str(finding.id),
        kind=finding.kind,
        skid=finding.skid,
        unit=finding.unit,
        detected=finding.detected,
        cause_class=finding.cause_class,
        during=during,
    )


def _by_kind(matches: Sequence[Match], calls: Sequence[FalseCall]) -> tuple[KindScore, ...]:
    scores = []
    for kind in sorted({m.kind for m in matches} | {c.kind for c in calls}):
        mine = [m for m in matches if m.kind == kind]
        delays = [m.delay_min for m in mine if m.delay_min is not None]
        scores.append(
            KindScore(
                kind=kind,
                events=sum(m.required or m.found for m in mine),
                found=len(delays),
                missed=sum(m.required and not m.found for m in mine),
                false=sum(c.kind == kind for c in calls),
                cause_right=sum(bool(m.cause_right) for m in mine),
                median_delay_min=median(delays) if delays else None,
            )
        )
    return tuple(scores)


def _washes(forecasts: Sequence[Finding], washes: Sequence[Backwash], end: datetime) -> WashScore:
    """Each wash against the calls made in the run that it ended; a wash's run begins at the one before."""
    notices, errors, used = [], [], set()
    for wash in washes:
        before = [w.end for w in washes if (w.skid, w.unit) == (wash.skid, wash.unit) and w.end <= wash.start]
        run = max(before, default=None)
        calls = [
            f
            for f in forecasts
            if (f.skid, f.unit) == (wash.skid, wash.unit)
            and f.detected < wash.start
            and (run is None or f.detected >= run)
        ]
        used |= {f.id for f in calls}
        if calls:
            first = min(calls, key=lambda f: f.detected)
            notices.append((wash.start - first.detected).total_seconds() / 3600.0)
            errors += [(first.forecast.when - wash.start).total_seconds() / 3600.0] if first.forecast else []
    return WashScore(
        washes=len(washes),
        forewarned=len(notices),
        median_notice_h=median(notices) if notices else None,
        median_error_h=median(errors) if errors else None,
        unborne=sum(f.id not in used and f.forecast is not None and f.forecast.high < end for f in forecasts),
    )


def _minutes(span: timedelta) -> float:
    return span.total_seconds() / 60.0
