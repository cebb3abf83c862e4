"""Engine and walk: cuts change nothing, memory survives bytes, roots and placements."""

from __future__ import annotations

from datetime import timedelta

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics import engine
from analytics.engine import Memory, from_bytes, stale, to_bytes
from analytics.learning import watched
from analytics.walk import Walk, cut
from skidhand.model.finding import identity
from tests.analytics.plant import FLEET, MINUTE0, T0, fleet, samples, steady, view
from tests.analytics.toys import OIL, TOYS, Faulty, High

HOURS = 5
VERSIONS = [(T0, fleet())]


def story(*, slug=(60, 90), high=(75, 140)):
    """A skid whose tank lets oil through in minutes ``slug`` and whose filter drop is high in ``high``."""
    series = steady(HOURS)
    series["AT-1"] = [(0.0, 100.0, 0), (slug[0] * 60.0, 300.0, 0), (slug[1] * 60.0, 100.0, 0)]
    series["PDT-1"] = [(s, v + (10.0 if high[0] * 60 <= s < high[1] * 60 else 0.0), q) for s, v, q in series["PDT-1"]]
    return samples(series)


def walked(table, *, block=1440, stops=(HOURS * 60,), versions=VERSIONS, detectors=TOYS, through_bytes=False):
    """The walk after going to each of ``stops`` (minutes from the start) in turn."""
    walk = Walk("sk-1", versions, detectors, Memory(), MINUTE0)
    for stop in stops:
        walk.go(MINUTE0 + stop, lambda a, b: cut(table, a, b), block=block, snapshots_from=2**40)
        if through_bytes:
            old = walk
            walk = Walk("sk-1", versions, detectors, from_bytes(to_bytes(old.memory), detectors), old.minute)
            walk.ledger.revisions = old.ledger.revisions
    return walk


def last_words(walk):
    """identity and root of the last revision of each finding."""
    return {(*identity(f), f.ended, f.root) for f in {f.id: f for f in walk.ledger.revisions}.values()}


def test_a_finding_opens_closes_and_names_its_root():
    """Two findings, each opened and closed; the filter's has the tank's as its root."""
    walk = walked(story())
    final = {f.kind: f for f in walk.ledger.revisions}
    assert [f.kind for f in walk.ledger.revisions if f.state == "open"][:2] == ["oil-carry-over", "dp-rise"]
    tank, dp = final["oil-carry-over"], final["dp-rise"]
    assert (tank.root, dp.root) == (None, tank.id)
    assert (tank.state, dp.state) == ("closed", "closed")
    assert ((tank.onset - T0).total_seconds() / 60, (tank.ended - T0).total_seconds() / 60) == (60, 90)
    assert dp.cause_class == "process"
    assert "pressure" in dp.hazards
    assert "h2s" in tank.hazards
    assert dp.site == "tansy-4"


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(1, HOURS * 60 - 1), max_size=8, unique=True), st.integers(7, 300), st.data())
def test_cutting_changes_no_finding(stops, block, data):
    """Any stops, any block length, memory through bytes between them: the same findings, ends and roots."""
    start = data.draw(st.integers(10, 200))
    table = story(slug=(start, start + 30), high=(start + 15, start + 80))
    whole = walked(table)
    parts = walked(table, block=block, stops=(*sorted(stops), HOURS * 60), through_bytes=True)
    assert last_words(parts) == last_words(whole)
    assert last_words(whole)


def test_memory_survives_bytes():
    """Equal memories give equal bytes; what comes back is equal."""
    memory = walked(story(), stops=(100,)).memory
    data = to_bytes(memory)
    assert to_bytes(from_bytes(data, TOYS)) == data
    assert from_bytes(data, TOYS).standing == memory.standing
    assert len(data) < 10_000


def test_a_changed_version_or_limit_makes_its_pair_stale_and_no_other():
    """Only the detector whose version changed, or the unit whose limit changed, must learn anew."""
    memory = walked(story(), stops=(100,)).memory
    assert stale(view(), memory, TOYS, {}, 0) == []
    newer = High("toy-dp", "media_filter", "dp", "dp_terminal", "dp-rise", "oil-slug")
    newer.version = 2
    assert stale(view(), memory, {"toy-dp": newer, "toy-oil": OIL}, {}, 0) == [("toy-dp", "filter-a")]
    assert stale(view(FLEET.replace("dp_terminal: 12", "dp_terminal: 13")), memory, TOYS, {}, 0) == [
        ("toy-dp", "filter-a")
    ]


def test_a_new_limit_relearns_from_the_store():
    """What stands under the new limit is said when it comes into force; what no longer stands is closed."""
    lower = fleet(FLEET.replace("dp_terminal: 12", "dp_terminal: 10"))
    series = steady(4)
    series["PDT-1"] = [(s, v + (7.0 if s >= 3600 else 0.0), q) for s, v, q in series["PDT-1"]]
    table = samples(series)
    versions = [(T0, fleet()), (T0.replace(hour=2), lower)]
    walk = walked(table, stops=(240,), versions=versions)
    (told,) = walk.ledger.revisions
    assert told.state == "open"
    assert (told.onset - T0).total_seconds() == 3600
    assert (told.detected - T0).total_seconds() == 7200 + 60
    assert told.fleet_version == lower.digest
    back = walked(table, stops=(240,), versions=[(T0, lower), (T0.replace(hour=2), fleet())])
    assert [f.state for f in back.ledger.revisions] == ["open", "closed"]
    assert back.ledger.revisions[-1].ended == T0.replace(hour=2)


def test_a_move_to_another_pad_begins_anew():
    """States, carry and open findings end with the placement; findings at the new pad carry its site."""
    moved = FLEET.replace(
        "[{site: tansy-4, from: 2026-01-01}]",
        "[{site: tansy-4, from: 2026-01-01, to: 2026-03-01T01:30:00Z}, {site: tansy-5, from: 2026-03-01T02:00:00Z}]",
    )
    walk = walked(story(slug=(60, 250), high=(200, 220)), versions=[(T0, fleet(moved))])
    tank = [f for f in walk.ledger.revisions if f.kind == "oil-carry-over"]
    assert [(f.state, f.site) for f in tank] == [("open", "tansy-4"), ("closed", "tansy-4")]
    assert tank[-1].ended == T0.replace(hour=1, minute=30)
    (dp, *_) = [f for f in walk.ledger.revisions if f.kind == "dp-rise"]
    assert dp.site == "tansy-5"
    assert walk.memory.placement.startswith("tansy-5")


def test_a_detector_that_fails_leaves_the_others_at_work(monkeypatch):
    """The others say the same as without it; it begins anew after the block that it failed in, and that is told."""
    monkeypatch.setattr(engine, "BEARS", True)
    faulty = Faulty("toy-faulty", "weir_tank", "outlet_oil", 250.0, "rag-layer")
    detectors = {**TOYS, faulty.name: faulty}
    walk = walked(story(), block=50, detectors=detectors, through_bytes=True)
    assert last_words(walk) == last_words(walked(story(), block=50))
    learning = watched(view(), walk.memory, detectors, walk.minute).learning
    assert [(one.detector, one.why, one.what) for one in learning] == [("toy-faulty", "failure", "toy-faulty")]
    assert learning[0].reason == "toy-faulty failed and begins anew, see the log"
    assert learning[0].since == T0 + timedelta(minutes=100)


@pytest.mark.parametrize("stops", [(300,), tuple(range(5, 301, 5))])
def test_silence_is_judged_from_receive_times(stops):
    """No word for more than ten minutes opens no-data; the next word closes it; back-fill names the link."""
    full = steady(HOURS)
    lost = {tag: [r for r in rows if not 3600 <= r[0] < 5400] for tag, rows in full.items()}
    hole = samples(lost)
    walk = walked(hole, stops=stops)
    opened, closed = [f for f in walk.ledger.revisions if f.kind == "no-data"]
    assert (opened.onset - T0).total_seconds() == 3600
    assert (opened.detected - T0).total_seconds() / 60 == 70
    assert (closed.ended - T0).total_seconds() == 5400
    assert closed.cause == "unknown"
    assert closed.cause_class == "operation"
    kept = {tag: [r for r in rows if 3600 <= r[0] < 5400] for tag, rows in full.items()}
    late = samples(kept)
    late = late.set_column(4, "received", pa.array([T0.replace(hour=1, minute=31)] * len(late), late["received"].type))
    both = pa.concat_tables([hole, late.cast(hole.schema)]).sort_by([("series", "ascending"), ("time", "ascending")])
    filled = walked(both, stops=stops)
    final = {f.kind: f for f in filled.ledger.revisions}["no-data"]
    assert final.cause == "carrier"
    assert (final.onset, final.ended) == (closed.onset, closed.ended)


def test_a_slow_skid_is_not_silent_between_its_reports():
    """A skid whose fastest instrument reports every half hour may be quiet for an hour and a half."""
    slow = fleet(FLEET.replace("period: 10}", "period: 1800}"))
    calm = {tag: rows for tag, rows in steady(HOURS, step=1800.0).items() if tag in ("FT-1", "PDT-1", "TT-1")}
    assert walked(samples(calm), versions=[(T0, slow)]).ledger.revisions == []
    quick = walked(samples(calm)).ledger.revisions
    assert {f.kind for f in quick} == {"no-data"}
