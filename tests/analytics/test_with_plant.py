"""The real detectors on the simulated plant: cuts, kills and late data change no finding."""

from __future__ import annotations

import hashlib
from datetime import timedelta

import pyarrow as pa
import pytest

from analytics.engine import Memory, builtin_detectors, from_bytes, to_bytes
from analytics.segments import minute_of
from analytics.service import Analyzer
from analytics.walk import Walk, cut
from simulator.generate import generate
from simulator.scenario import load_scenario
from skidhand.clock import StreamClock
from skidhand.fleet import load_fleet
from skidhand.logbook import Logbook
from skidhand.model.finding import identity
from skidhand.stores.base import Batch
from skidhand.stores.memory import MemoryStore

pytestmark = pytest.mark.slow

HOURS = 44.0
SKID = "tf-skid-2"


@pytest.fixture(scope="module")
def plant():
    """(start, fleet version, samples as they arrive) of a skid whose reject ports plug in its second day."""
    scenario = load_scenario("demo")
    chunks = [c.samples for c in generate(scenario, hours=HOURS, skids=2, chunk_hours=2) if c.skid == SKID]
    return scenario.start, load_fleet(scenario.fleet_path), chunks


def walked(plant, block, cuts=()):
    """Last words on each finding after a walk in blocks, memory through bytes at each of ``cuts``."""
    start, version, chunks = plant
    table = pa.concat_tables(chunks).sort_by([("series", "ascending"), ("time", "ascending")])
    first, detectors = minute_of(start), builtin_detectors()
    walk = Walk(SKID, [(start, version)], detectors, Memory(), first)
    told = []
    for stop in (*cuts, int(HOURS * 60) - 5):
        walk.go(first + stop, lambda a, b: cut(table, a, b), block=block, snapshots_from=2**40)
        told += walk.ledger.revisions
        walk = Walk(SKID, [(start, version)], detectors, from_bytes(to_bytes(walk.memory), detectors), walk.minute)
    return {(*identity(f), f.ended, f.root) for f in {f.id: f for f in told}.values()}


def test_cutting_the_plant_s_minutes_changes_no_finding(plant):
    """Whole days, odd pieces, memory through bytes: the same findings."""
    whole = walked(plant, 1440)
    assert {row[1] for row in whole} >= {"dp-rise", "split-drift"}
    assert walked(plant, 173, cuts=(1, 500, 1777)) == whole


def test_live_equals_replay_on_the_plant(plant, tmp_path):
    """Chunks as they arrive, one of them hours late, a new analyser after each: findings as of one pass."""
    start, version, chunks = plant
    order = [*chunks[:14], *chunks[15:19], chunks[14], *chunks[19:]]
    store, now = MemoryStore(), start + timedelta(hours=HOURS, minutes=10)
    found = []
    for name, batches in (("live", order), ("once", [])):
        with Logbook(str(tmp_path / name)) as logbook:
            logbook.fleets.apply(version, effective=start, who="test")
            clock = StreamClock()
            for i, table in enumerate(batches):
                store.write(Batch("w", i + 1, hashlib.sha256(str(i).encode()).hexdigest(), table))
                clock.announce(start + timedelta(hours=2 * (i + 1), minutes=2))
                Analyzer(store, logbook, clock=clock, owner="a").run_once()
            clock.announce(now)
            Analyzer(store, logbook, clock=clock, owner="a").run_once()
            found.append({(identity(f), f.ended, f.root) for f in logbook.analysis.current()})
    assert found[0] == found[1]
    assert {row[0][1] for row in found[0]} >= {"dp-rise", "split-drift"}
