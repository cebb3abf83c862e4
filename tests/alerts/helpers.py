"""A small invented fleet and findings for it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from skidhand.fleet import parse_fleet
from skidhand.logbook import Logbook
from skidhand.model.finding import Evidence, Finding, Forecast, Number, finding_id
from skidhand.model.kinds import KINDS, cause_class

NOON = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)  # Monday, 12:00 in Chicago
NIGHT = datetime(2026, 3, 3, 9, 0, tzinfo=UTC)  # Tuesday, 03:00 in Chicago
MORNING = datetime(2026, 3, 3, 12, 0, tzinfo=UTC)  # 06:00, the end of quiet hours

FLEET = """
version: 1
fleet: Tansy Flat reuse
owner: Tansy Flat Water
sites:
  - {id: tansy-4, name: Tansy 4 pad, timezone: America/Chicago}
  - {id: sorrel-2, name: Sorrel 2 pad, timezone: America/Chicago}
skids:
  - id: tf-skid-1
    name: Skid 1
    placements: [{site: tansy-4, from: 2026-01-15}]
    backwash_by: person
    instruments:
      PDT-301: {unit: "[psi]", range: [0, 30]}
      PT-201: {unit: "[psi]"}
    units:
      - {id: cyclone, type: hydrocyclone, roles: {inlet_pressure: PT-201}}
      - {id: filter-a, type: media_filter, roles: {dp: PDT-301}}
  - id: tf-skid-2
    name: Skid 2
    placements: [{site: sorrel-2, from: 2026-01-15}]
    backwash_by: controller
    instruments: {PDT-301: {unit: "[psi]"}}
    units: [{id: filter-a, type: media_filter, roles: {dp: PDT-301}}]
roster:
  people:
    - {id: robin, name: Robin Vale, phone: "+15550100001"}
    - {id: sasha, name: Sasha Moor, phone: "+15550100002", email: sasha@tansyflat.example}
  duties:
    - {people: [robin, sasha], sites: [tansy-4]}
    - {people: [sasha]}
  escalation: {minutes: []}
"""

VERSION = parse_fleet(FLEET)


def finding(kind: str = "split-drift", unit: str = "cyclone", **changes: Any) -> Finding:
    """An open finding on Skid 1; ``run`` makes another one of the same kind and unit."""
    skid = changes.pop("skid", "tf-skid-1")
    run = changes.pop("run", "1")
    onset = changes.pop("onset", NOON)
    cause = changes.get("cause")
    given = {
        "id": finding_id(skid, unit, kind, run),
        "revision": 1,
        "state": "open",
        "kind": kind,
        "site": "tansy-4" if skid == "tf-skid-1" else "sorrel-2",
        "skid": skid,
        "unit": unit,
        "run_key": run,
        "onset": onset,
        "detected": onset + timedelta(minutes=5),
        "severity": "medium",
        "confidence": 0.9,
        "cause_class": cause_class(kind, cause) if kind in KINDS else "equipment",
        "detector": "test",
        "detector_version": 1,
        "fleet_version": VERSION.digest,
        "watermark": onset + timedelta(minutes=5),
    }
    return Finding.model_validate(given | changes)


def dp_rise(when: datetime = NOON + timedelta(hours=6, minutes=40), **changes: Any) -> Finding:
    """A filter that wants a backwash at 18:40 site time, with the evidence of a real one."""
    forecast = Forecast(what="backwash", when=when, low=when - timedelta(minutes=50), high=when + timedelta(minutes=50))
    numbers = (
        Number(name="dp", value=8.1, unit="[psi]", tag="PDT-301"),
        Number(name="dp_limit", value=12.0, unit="[psi]"),
    )
    given = {"forecast": forecast, "evidence": Evidence(numbers=numbers), "cause": "fouling"}
    return finding("dp-rise", "filter-a", **(given | changes))


def revised(before: Finding, **changes: Any) -> Finding:
    """The next revision of a finding."""
    return Finding.model_validate(before.model_dump() | {"revision": before.revision + 1} | changes)


class Analyser:
    """Writes findings into a logbook as analytics does."""

    def __init__(self, logbook: Logbook) -> None:
        self._logbook = logbook

    def commit(self, *changed: Finding) -> None:
        """All of ``changed`` in one transaction (they are of one skid)."""
        from skidhand.logbook.analysis import Standing, Worked

        skid = changed[0].skid
        assert self._logbook.leases.take(f"analyze:{skid}", "test")
        self._logbook.analysis.commit(Worked(Standing(skid, None, changed[0].watermark, b""), changed), owner="test")


def kinds_of(findings: Sequence[Finding]) -> list[str]:
    """The kinds of ``findings``, in their order."""
    return [one.kind for one in findings]
