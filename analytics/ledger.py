"""From drafts to findings: identity, revisions, what closes, what is superseded, what is late."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final
from uuid import UUID

from analytics.engine import Said
from analytics.roots import MEMORY, roots
from analytics.segments import Segment, time_of
from skidhand.fleet import SkidView
from skidhand.model.finding import Finding, FindingState, Forecast, finding_id
from skidhand.model.kinds import KINDS, cause_class

FORECAST_MOVED: Final = timedelta(minutes=5)  # less is not worth a new revision when late data are worked in


def hazards_of(skid: SkidView, unit: str, kind: str) -> tuple[str, ...]:
    """The cautions that go with a finding: those of its kind and of the unit (or the tag's unit)."""
    info = KINDS.get(kind)
    found = set(info.hazards) if info else set()
    for one in skid.units:
        if one.id == unit or unit in one.tags.values():
            found |= one.type.hazards
    return tuple(sorted(found))


def finding_of(said: Said, segment: Segment, view: SkidView, before: Finding | None) -> Finding:
    """The finding as the draft now tells it. ``before`` (the same finding earlier) keeps what does not change.

    ``revision`` is 1 here; the logbook's count is put in when the finding is committed.
    """
    draft = said.draft
    forecast = draft.forecast
    if forecast is None and draft.ended is not None and before is not None:
        forecast = before.forecast  # what was expected stands beside what came
    end_of_minute = time_of(draft.minute + 1)
    return Finding(
        id=finding_id(view.id, draft.unit, draft.kind, draft.run_key),
        revision=1,
        state="open" if draft.ended is None else "closed",
        kind=draft.kind,
        site=segment.site if before is None else before.site,
        skid=view.id,
        unit=draft.unit,
        run_key=draft.run_key,
        onset=time_of(draft.onset),
        detected=end_of_minute if before is None else before.detected,
        ended=None if draft.ended is None else time_of(draft.ended),
        severity=draft.severity,
        confidence=draft.confidence,
        cause=draft.cause,
        cause_class=cause_class(draft.kind, draft.cause) if draft.kind in KINDS else "equipment",
        root=None if before is None else before.root,
        detector=said.detector,
        detector_version=said.version,
        fleet_version=segment.fleet,
        watermark=end_of_minute,
        evidence=draft.evidence,
        ruled_out=draft.ruled_out,
        forecast=forecast,
        first_step=draft.first_step,
        hazards=hazards_of(view, draft.unit, draft.kind),
        late=False if before is None else before.late,
    )


def differs(one: Finding, other: Finding) -> bool:
    """True when somebody who knows ``one`` would want to hear ``other``.

    Figures of evidence and small moves of a forecast alone are not worth a revision.
    """
    return _telling(one) != _telling(other) or _moved(one.forecast, other.forecast)


def _telling(finding: Finding) -> tuple[Any, ...]:
    f = finding
    words = (f.first_step, tuple(r.what for r in f.ruled_out))
    return (f.state, f.site, f.onset, f.ended, f.severity, f.cause, f.root, round(f.confidence, 1), *words)


def _moved(one: Forecast | None, other: Forecast | None) -> bool:
    if one is None or other is None:
        return one is not other
    ends = ((one.when, other.when), (one.low, other.low), (one.high, other.high))
    return any(abs(a - b) > FORECAST_MOVED for a, b in ends)


@dataclass
class Ledger:
    """What stands about one skid while its minutes are worked through. ``revisions`` in the order told."""

    standing: dict[UUID, Finding] = field(default_factory=dict)
    revisions: list[Finding] = field(default_factory=list)
    told: set[UUID] = field(default_factory=set)

    def say(self, said: Iterable[Said], segment: Segment, view: SkidView) -> None:
        """Work in what detectors said in one piece of a segment, then see which finding explains which."""
        for one in said:
            key = finding_id(view.id, one.draft.unit, one.draft.kind, one.draft.run_key)
            self._put(finding_of(one, segment, view, self.standing.get(key)))

    def link(self, view: SkidView, minute: int) -> None:
        """Roots of all that stands at the beginning of ``minute``; forget what is closed for long."""
        for key, root in roots(self.standing.values(), view).items():
            known = self.standing[key]
            if known.root != root:
                self._relate(known, root, time_of(minute))
        # A root stays as long as what it explains, or that would lose its root on the way out.
        referred = {f.root for f in self.standing.values()}
        forget = [
            f.id
            for f in self.standing.values()
            if f.ended is not None and f.ended + MEMORY + MEMORY < time_of(minute) and f.id not in referred
        ]
        for key in forget:
            del self.standing[key]

    def _relate(self, finding: Finding, root: UUID | None, now: datetime) -> None:
        """Another root for a finding: in its last revision if that is still unwritten and no older than the root."""
        known_since = now if root is None or root not in self.standing else self.standing[root].detected
        told = next((i for i, f in reversed([*enumerate(self.revisions)]) if f.id == finding.id), None)
        if told is not None and self.revisions[told].watermark >= known_since:
            self.standing[finding.id] = self.revisions[told] = finding.model_copy(update={"root": root})
        else:
            self._put(finding.model_copy(update={"root": root, "watermark": now}))

    def close(self, minute: int, *, only: Mapping[str, set[str]] | None = None, spare: Iterable[UUID] = ()) -> None:
        """Close what is open at ``minute``: all, or of ``only`` some detectors and units; not those in ``spare``."""
        kept = set(spare)
        for finding in list(self.standing.values()):
            meant = only is None or finding.unit in only.get(finding.detector, set())
            if finding.state == "open" and meant and finding.id not in kept:
                at = time_of(minute)
                self._put(finding.model_copy(update={"state": "closed", "ended": at, "watermark": at}))

    def take_along(self, site: str, minute: int) -> None:
        """What is open goes with the skid: it stands at ``site`` from ``minute`` on."""
        for finding in list(self.standing.values()):
            if finding.state == "open" and finding.site != site:
                self._put(finding.model_copy(update={"site": site, "watermark": time_of(minute)}))

    def _put(self, finding: Finding) -> None:
        before = self.standing.get(finding.id)
        self.told.add(finding.id)
        # What was told last stays the measure, or a forecast could creep away in small steps.
        if before is None or differs(before, finding):
            self.standing[finding.id] = finding
            self.revisions.append(finding)


def reconcile(
    ledger: Ledger, known: Sequence[Finding], start: datetime, end: datetime, tick: datetime
) -> list[Finding]:
    """What must be written after the minutes (start, end] were worked through a second time.

    ``known``: the logbook's current findings. Those first said in the span and not said again are superseded;
    those that tell something else are revised; a finding that is new here, and over by now, is late.
    """
    latest = {finding.id: finding for finding in known}
    changed: list[Finding] = []
    # What was told and has been over for long stands no more, but was told.
    final = {finding.id: finding for finding in ledger.revisions} | ledger.standing
    for finding in final.values():
        before = latest.get(finding.id)
        if before is None:
            late = finding.state == "closed"
            changed.append(finding.model_copy(update={"late": late, "watermark": tick if late else finding.watermark}))
        elif differs(before, finding):
            changed.append(finding.model_copy(update={"late": before.late, "watermark": tick}))
    fresh = [f for f in changed if f.id not in latest]
    for finding in known:
        if start < finding.detected <= end and finding.id not in ledger.told and finding.state != "superseded":
            changed.append(_superseded(finding, fresh, tick))
    for finding in changed:
        if finding.id in ledger.standing:
            ledger.standing[finding.id] = finding
    return changed


def _superseded(finding: Finding, fresh: Sequence[Finding], tick: datetime) -> Finding:
    """``finding`` taken back; where a new one of its kind and unit takes its place, that is named."""
    alike = [f for f in fresh if (f.kind, f.unit) == (finding.kind, finding.unit)]
    heir = min(alike, key=lambda f: abs(f.onset - finding.onset), default=None)
    state: FindingState = "superseded"
    return finding.model_copy(
        update={"state": state, "superseded_by": None if heir is None else heir.id, "watermark": tick}
    )


def numbered(changed: Sequence[Finding], last: Callable[[UUID], Finding | None]) -> list[Finding]:
    """Each with the revision that follows the ``last`` one told; first detection and lateness stay as told."""
    latest: dict[UUID, Finding] = {}
    result = []
    for finding in changed:
        before = latest.get(finding.id) or last(finding.id)
        if before is not None:
            late = before.late and finding.state != "open"  # what stands again is no history
            kept = {"detected": min(before.detected, finding.detected), "late": late}
            finding = finding.model_copy(update={"revision": before.revision + 1, **kept})
        latest[finding.id] = finding
        result.append(finding)
    return result
