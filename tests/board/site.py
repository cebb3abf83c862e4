"""A small invented fleet with data, findings and prompts, for the board to show."""

from __future__ import annotations

import json
import math
import uuid
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

from skidhand.clock import StreamClock
from skidhand.fleet import parse_fleet
from skidhand.logbook import Logbook
from skidhand.logbook.analysis import Standing, Worked
from skidhand.model.finding import Evidence, Finding, Forecast, Number, RuledOut, Trace, finding_id
from skidhand.model.kinds import cause_class
from skidhand.model.prompt import Prompt, Transition
from skidhand.model.quality import BAD
from skidhand.model.samples import micros, table
from skidhand.stores.base import Batch
from skidhand.stores.memory import MemoryStore

NOW = datetime(2026, 3, 4, 9, 0, tzinfo=UTC)  # 03:00 in Chicago
HOSTILE = "<script>alert(1)</script>\"'&{{7*7}}"

SKID = """
  - id: {id}
    name: {name}
    placements: [{{site: {site}, from: 2026-01-15}}]
    backwash_by: {by}
    instruments:
      FT-201: {{unit: "[gal_us]/min", range: [0, 80], note: cyclone feed, period: 60}}
      PDT-301: {{unit: "[psi]", range: [0, 25], note: media filter, period: 60}}
      AT-301: {{unit: "mg/L", range: [0, 100], note: treated water, period: 60}}
      FQT-701: {{unit: "[bbl_us]", total: true, rollover: 1000000, period: 60}}
      XS-100: {{unit: "1", states: {{0: stopped, 1: running}}, reporting: on_change, interval: 600}}
    units:
      - {{id: skid, type: skid, roles: {{running: XS-100}}}}
      - {{id: cyclone, type: hydrocyclone, roles: {{inlet_flow: FT-201}}}}
      - {{id: filter-a, type: media_filter, roles: {{flow: FT-201, dp: PDT-301, outlet_oil: AT-301}}}}
      - {{id: outlet, type: outlet, roles: {{total: FQT-701, oil: AT-301}}}}
    spec: {{oil: {{limit: 20, unit: "mg/L", basis: 1h, sample_point: outlet}}}}
"""

HEAD = """
version: 1
fleet: {name}
owner: Tansy Flat Water
sites:
  - {{id: tansy-4, name: Tansy 4 pad, timezone: America/Chicago}}
  - {{id: sorrel-2, name: Sorrel 2 pad, timezone: America/Denver}}
roster:
  people:
    - {{id: robin, name: Robin Vale, phone: "+15550100001"}}
    - {{id: sasha, name: Sasha Moor, phone: "+15550100002"}}
  duties: [{{people: [robin, sasha]}}]
skids:"""


def fleet_text(skids: Iterable[tuple[str, str, str]], name: str = "Tansy Flat reuse", by: str = "person") -> str:
    """A fleet file of these (id, name, site)."""

    parts = [SKID.format(id=i, name=json.dumps(n), site=s, by=by) for i, n, s in skids]
    return HEAD.format(name=json.dumps(name)) + "".join(parts)


THREE = (("tf-1", "Skid 1", "tansy-4"), ("tf-2", "Skid 2", "sorrel-2"), ("tf-3", "Skid 3", "tansy-4"))


def fill(store: MemoryStore, skids: Iterable[str], *, hours: int = 6, until: datetime = NOW, step_s: int = 60) -> None:
    """Some hours of quiet water up to ``until``; the analyser of the last minute is Bad on tf-3."""
    rows = []
    for skid in skids:
        for i in range(int(hours * 3600 / step_s)):
            at = micros(until - timedelta(seconds=i * step_s))
            wave = math.sin(i / 40.0)
            bad = skid == "tf-3" and i == 0
            for tag, value in (
                ("FT-201", 40.0 + wave),
                ("PDT-301", 4.0 + wave),
                ("AT-301", None if bad else 8.0 + wave),
                ("FQT-701", 5000.0 - i),
            ):
                rows.append((f"{skid}/{tag}", at, value, BAD if value is None else 0, at))
        rows.append((f"{skid}/XS-100", micros(until - timedelta(minutes=5)), 1.0, 0, micros(until)))
    store.write(Batch(writer=str(uuid.uuid4()), number=1, digest="a", samples=table(rows)))


def finding(kind: str = "split-drift", unit: str = "cyclone", skid: str = "tf-1", **changes: Any) -> Finding:
    """A finding an hour old, with evidence."""
    onset = changes.pop("onset", NOW - timedelta(hours=1))
    cause = changes.get("cause", "reject-plugging" if kind == "split-drift" else None)
    times = tuple(micros(onset + timedelta(minutes=i)) for i in range(30))
    given = {
        "id": finding_id(skid, unit, kind, changes.pop("run", "1")), "revision": 1, "state": "open", "kind": kind,
        "site": "sorrel-2" if skid == "tf-2" else "tansy-4", "skid": skid, "unit": unit, "run_key": "1",
        "onset": onset, "detected": onset + timedelta(minutes=5), "severity": "high", "confidence": 0.8,
        "cause": cause, "cause_class": cause_class(kind, cause), "detector": "test", "detector_version": 1,
        "fleet_version": "x", "watermark": onset + timedelta(minutes=5),
        "evidence": Evidence(
            numbers=(Number(name="reject_ratio", value=0.0189, unit="1"),
                     Number(name="reject_ratio_expected", value=0.03, unit="1"),
                     Number(name="inlet_flow", value=39.0, unit="[gal_us]/min", tag="FT-201")),
            traces=(Trace(name="reject_ratio_change", unit="%", times=times, values=(0.0,) * 15 + (-37.0,) * 15),),
        ),
        "ruled_out": (RuledOut(what="flow step", why="flow is as learnt"),),
        "first_step": "Suggest checking the reject ports, per site procedure.",
    }  # fmt: skip
    return Finding.model_validate(given | changes)


def rise(skid: str, *, when: datetime = NOW + timedelta(hours=2), **changes: Any) -> Finding:
    """A filter that wants a wash."""
    forecast = Forecast(what="backwash", when=when, low=when - timedelta(hours=1), high=when + timedelta(hours=1))
    numbers = (
        Number(name="dp", value=9.7, unit="[psi]", tag="PDT-301"),
        Number(name="dp_limit", value=12, unit="[psi]"),
    )
    given = {"severity": "medium", "cause": "fouling", "forecast": forecast, "evidence": Evidence(numbers=numbers)}
    return finding("dp-rise", "filter-a", skid, **(given | changes))


def put(logbook: Logbook, *found: Finding) -> None:
    """Write findings as analytics does."""
    for one in found:
        assert logbook.leases.take(f"analyze:{one.skid}", "test")
        logbook.analysis.commit(Worked(Standing(one.skid, None, one.watermark, b""), [one]), owner="test")


def prompt(logbook: Logbook, found: Finding, code: str = "4821", **changes: Any) -> Prompt:
    """Write the prompt of a finding as alerts does."""
    given = {
        "id": uuid.uuid5(uuid.NAMESPACE_OID, str(found.id)), "code": code, "kind": "inspect",
        "state": "unacknowledged", "priority": found.severity, "route": "phone", "site": found.site,
        "skid": found.skid, "unit": found.unit, "root": found.id, "findings": (found.id,),
        "title": f"{found.unit} reject plugging?", "created": found.detected, "updated": found.detected,
    }  # fmt: skip
    made = Prompt.model_validate(given | changes)
    with logbook.prompts.work() as work:
        work.save(made)
        for one in made.findings:
            work.link(one, made.id)
        work.record(
            Transition(prompt=made.id, at=made.created, before=None, after=made.state, who="skidhand", why="raised")
        )
    return made


def clock() -> StreamClock:
    """A clock that stands at NOW."""
    made = StreamClock()
    made.announce(NOW)
    return made


def logbook_of(path: str, text: str) -> Logbook:
    """A logbook with that fleet in force."""
    book = Logbook(path)
    book.guard_clock("stream")
    book.fleets.apply(parse_fleet(text), effective=NOW - timedelta(days=30), who="test")
    return book
