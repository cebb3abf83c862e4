"""The loop on a real store and logbook: live equals replay, whatever the order in which data arrive."""

from __future__ import annotations

import hashlib
from datetime import timedelta
from unittest.mock import Mock

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.late import by_skid
from analytics.service import Analyzer
from skidhand.clock import StreamClock
from skidhand.errors import LogbookError
from skidhand.logbook import Logbook
from skidhand.model.finding import identity
from skidhand.model.samples import SAMPLES, micros
from skidhand.stores.base import Batch
from skidhand.stores.memory import MemoryStore
from tests.analytics.plant import FLEET, T0, fleet, samples, steady
from tests.analytics.toys import TOYS, High

HOURS = 4
END = T0 + timedelta(hours=HOURS)


class Rig:
    """A store, a logbook, a clock, and analysers that come and go."""

    def __init__(self, path, versions=None):
        self.store, self.logbook, self.clock = MemoryStore(), Logbook(str(path)), StreamClock()
        for at, version in versions or [(T0 - timedelta(days=60), fleet())]:
            self.logbook.fleets.apply(version, effective=at, who="test")
        self.batches = 0
        self.start()

    def start(self, **options):
        """A new analyser process of the same owner."""
        options = {"detectors": TOYS, **options}
        self.analyzer = Analyzer(self.store, self.logbook, clock=self.clock, owner="a", **options)

    def arrive(self, table):
        """One batch lands in the store."""
        self.batches += 1
        self.store.write(Batch("w", self.batches, hashlib.sha256(str(self.batches).encode()).hexdigest(), table))

    def tick(self, now):
        """One cycle at ``now``."""
        self.clock.announce(now)
        return self.analyzer.run_once()

    def findings(self):
        """What must be equal between a live run and a replay, of the current findings."""
        return {(identity(f), f.ended, f.root) for f in self.logbook.analysis.current()}

    def current(self, kind):
        """The current findings of one kind."""
        return [f for f in self.logbook.analysis.current() if f.kind == kind]


@pytest.fixture
def rig(tmp_path):
    """A fresh rig with the toy detectors."""
    made = Rig(tmp_path / "log.db")
    yield made
    made.logbook.close()


def story(slug=60, high=75, hours=HOURS, step=30.0):
    """Oil from the tank at minute ``slug``, filter drop high from minute ``high``; both for half an hour."""
    series = steady(hours, step=step)
    series["AT-1"] = [(0.0, 100.0, 0), (slug * 60.0, 300.0, 0), (slug * 60.0 + 1800, 100.0, 0)]
    series["PDT-1"] = [(s, v + (10.0 if high * 60 <= s < high * 60 + 1800 else 0.0), q) for s, v, q in series["PDT-1"]]
    return samples(series)


def between(table, start, end, column="time"):
    """Rows whose ``column`` lies in [start, end) minutes after T0."""
    at = table[column].cast(pa.int64()).to_numpy() - micros(T0)
    return table.filter(pa.array((at >= start * 60e6) & (at < end * 60e6)))


def replayed(tmp_path, store, versions=None, now=END):
    """Findings of one pass over the final store."""
    once = Rig(tmp_path, versions)
    once.store = store
    once.start()
    once.tick(now)
    found = once.findings()
    once.logbook.close()
    return found


def test_minute_by_minute_equals_one_pass(rig, tmp_path):
    """Data that come in time, a cycle every few minutes: findings equal those of one pass, none late."""
    table = story()
    for minute in range(0, HOURS * 60, 3):
        rig.arrive(between(table, minute, minute + 3))
        summary = rig.tick(T0 + timedelta(minutes=minute + 3))
    assert summary.skids == 1
    assert rig.findings() == replayed(tmp_path / "once.db", rig.store)
    assert {f.kind for f in rig.logbook.analysis.current()} == {"dp-rise", "oil-carry-over"}
    assert not any(f.late for f in rig.logbook.analysis.current())
    (dp,) = rig.current("dp-rise")
    assert [f.state for f in rig.logbook.analysis.history(dp.id)] == ["open", "closed"]
    assert dp.detected == T0 + timedelta(minutes=78)


def test_late_data_add_a_finding_that_is_late(rig, tmp_path):
    """Back-filled hours bring their findings, marked late; the silence is told apart as the link's."""
    table = story()
    for minute in range(0, HOURS * 60, 5):
        if not 50 <= minute < 150:
            rig.arrive(between(table, minute, minute + 5))
        rig.tick(T0 + timedelta(minutes=minute + 5))
    assert {f.kind for f in rig.logbook.analysis.current()} == {"no-data"}
    received = pa.array([END] * len(table), table["received"].type)
    rig.arrive(between(table.set_column(4, SAMPLES.field("received"), received), 50, 150))
    summary = rig.tick(END + timedelta(minutes=2))
    assert list(summary.rewound) == ["sk-1"]
    (dp,), (tank,), (silent,) = (rig.current(k) for k in ("dp-rise", "oil-carry-over", "no-data"))
    assert (dp.late, tank.late, silent.late) == (True, True, False)
    assert dp.state == "closed"
    assert silent.cause == "carrier"
    assert rig.findings() == replayed(tmp_path / "once.db", rig.store, now=END + timedelta(minutes=2))


def test_what_still_stands_is_not_late(rig):
    """Late data that reveal something that has not ended yet make an open finding that people must hear of."""
    series = steady(2, step=30.0)
    series["PDT-1"] = [(s, v + (10.0 if s >= 3600 else 0.0), q) for s, v, q in series["PDT-1"]]
    table = samples(series)
    dp = pa.compute.equal(table["series"], "sk-1/PDT-1")
    rig.arrive(table.filter(pa.compute.invert(dp)))
    rig.tick(T0 + timedelta(minutes=121))
    rig.arrive(table.filter(dp))
    rig.tick(T0 + timedelta(minutes=122))
    (found,) = rig.current("dp-rise")
    assert (found.state, found.late) == ("open", False)


def test_late_data_take_back_what_was_wrong(rig):
    """A finding that the whole data do not bear out is superseded, and its heir is named."""
    series = steady(3, step=30.0)
    series["PDT-1"] = [(s, v + (10.0 if s >= 7200 else 0.0), q) for s, v, q in series["PDT-1"]]
    table = samples(series)
    rig.arrive(table)
    rig.tick(T0 + timedelta(minutes=150))
    (wrong,) = rig.current("dp-rise")
    earlier = samples({"PDT-1": [(7000.0 + 10 * i, 14.0, 0) for i in range(20)]})
    rig.arrive(earlier)
    rig.tick(T0 + timedelta(minutes=151))
    (right,) = rig.current("dp-rise")
    assert right.id != wrong.id
    last = rig.logbook.analysis.history(wrong.id)[-1]
    assert (last.state, last.superseded_by, last.revision) == ("superseded", right.id, 2)


def test_a_kill_between_cycles_loses_and_doubles_nothing(rig, tmp_path):
    """A new analyser after each cycle, its memory from the logbook alone: the same findings and revisions."""
    table = story()
    for minute in range(0, HOURS * 60, 7):
        rig.arrive(between(table, minute, minute + 7))
        rig.start()
        rig.tick(T0 + timedelta(minutes=minute + 7))
    rig.tick(END)
    assert rig.findings() == replayed(tmp_path / "once.db", rig.store)
    assert all(len(rig.logbook.analysis.history(f.id)) == 2 for f in rig.logbook.analysis.current())


def test_a_failure_before_the_commit_changes_nothing(rig, monkeypatch):
    """When the commit fails nothing of the cycle stands, and the next cycle does it again."""
    rig.arrive(story())
    with monkeypatch.context() as patch:
        patch.setattr(rig.logbook.analysis, "commit", Mock(side_effect=LogbookError("away")))
        with pytest.raises(LogbookError):
            rig.tick(END)
    assert rig.logbook.analysis.standings() == {}
    rig.tick(END)
    assert {f.kind for f in rig.logbook.analysis.current()} == {"dp-rise", "oil-carry-over"}


def test_two_analysers_never_share_a_skid(rig):
    """The second finds the lease taken; it gets the skid once the first has let go."""
    rig.arrive(story())
    other = Analyzer(rig.store, rig.logbook, clock=rig.clock, owner="b", detectors=TOYS)
    rig.tick(T0 + timedelta(hours=1))
    assert other.run_once().not_ours == ["sk-1"]
    rig.analyzer.release()
    rig.clock.announce(END)
    assert other.run_once().not_ours == []
    assert {f.kind for f in rig.current("dp-rise")} == {"dp-rise"}


def test_a_lost_lease_throws_the_work_away(rig):
    """An analyser whose lease went to another commits nothing and says so."""
    rig.arrive(story())
    rig.tick(T0 + timedelta(hours=1))
    rig.logbook.leases.release("analyze:sk-1", "a")
    assert rig.logbook.leases.take("analyze:sk-1", "b")
    summary = rig.tick(END)
    assert summary.not_ours == ["sk-1"]
    assert rig.logbook.analysis.current() == []


def test_a_fleet_version_that_reaches_back_rewinds(rig, tmp_path):
    """A version applied with an effective time in the past is worked in from that time on."""
    rig.arrive(story())
    rig.tick(END)
    higher = fleet(FLEET.replace("dp_terminal: 12", "dp_terminal: 20"))
    rig.logbook.fleets.apply(higher, effective=T0 + timedelta(minutes=30), who="test")
    summary = rig.tick(END + timedelta(minutes=1))
    assert summary.rewound["sk-1"] == T0 + timedelta(minutes=30)
    assert rig.current("dp-rise") == []
    versions = rig.logbook.fleets.versions()
    assert rig.findings() == replayed(tmp_path / "once.db", rig.store, versions, END + timedelta(minutes=1))


def test_a_new_detector_version_speaks_only_after_learning(rig):
    """A newer detector learns from the store and says what stands now, nothing of the past."""
    rig.arrive(story(high=75))
    rig.tick(T0 + timedelta(minutes=85))
    newer = High("toy-dp", "media_filter", "dp", 20.0, "dp-rise", "oil-slug")
    newer.version = 2
    rig.start(detectors={"toy-dp": newer, "toy-oil": TOYS["toy-oil"]})
    rig.tick(END)
    now, old = rig.current("dp-rise")
    assert (now.state, now.detector_version, now.onset) == ("open", 2, T0)
    assert now.detected == T0 + timedelta(minutes=85)
    assert (old.state, old.detector_version, old.ended) == ("closed", 1, T0 + timedelta(minutes=84))


def test_the_heartbeat_tells_how_far_behind(rig):
    """follow() beats once a cycle and gives the leases back when it is stopped."""
    import threading

    rig.arrive(story())
    rig.clock.announce(END)
    stop = threading.Event()
    thread = threading.Thread(target=rig.analyzer.follow, args=(0.01, stop))
    thread.start()
    for _ in range(500):
        if rig.logbook.heartbeats.all():
            break
        stop.wait(0.02)
    stop.set()
    thread.join()
    (beat,) = rig.logbook.heartbeats.all()
    assert (beat.service, beat.instance) == ("analyze", "a")
    assert 60 <= beat.lag_s < 121
    assert rig.logbook.leases.take("analyze:sk-1", "b")


def test_one_read_serves_all_skids_that_are_up_to_date(tmp_path):
    """Two skids, one of whose ids begins like the other's: one read a cycle, and each gets its own rows."""
    second = FLEET[FLEET.index("  - id: sk-1") :].replace("id: sk-1", "id: sk-1-b")
    rig = Rig(tmp_path / "two.db", [(T0, fleet(FLEET.rstrip() + "\n" + second))])
    table = story()
    quiet = samples(steady(HOURS, step=30.0), skid="sk-1-b")
    reads = Mock(side_effect=rig.store.read)
    for minute in range(0, HOURS * 60, 20):
        rig.arrive(between(table, minute, minute + 20))
        rig.arrive(between(quiet, minute, minute + 20))
        rig.store.read, reads.call_count = reads, 0
        rig.tick(T0 + timedelta(minutes=minute + 20))
        assert reads.call_count == 1
    assert {f.skid for f in rig.logbook.analysis.current()} == {"sk-1"}
    assert rig.logbook.analysis.standings()["sk-1-b"].watermark == END - timedelta(minutes=1)
    rig.logbook.close()


def test_by_skid_cuts_a_table_where_the_skid_changes():
    """Each skid's rows, whole and in order; an empty table has no skids."""
    table = pa.concat_tables([samples(steady(0.1), skid=skid) for skid in ("a-b", "a", "c")])
    parts = by_skid(table)
    assert list(parts) == ["a-b", "a", "c"]
    assert {skid: {n.split("/")[0] for n in part["series"].to_pylist()} for skid, part in parts.items()} == {
        "a-b": {"a-b"}, "a": {"a"}, "c": {"c"},
    }  # fmt: skip
    assert sum(map(len, parts.values())) == len(table)
    assert by_skid(table.slice(0, 0)) == {}


def test_data_beyond_the_horizon_wait_for_a_request(rig):
    """What is older than seven days is counted and left; a rewind on request works it in."""
    series = steady(1, step=60.0)
    rig.arrive(samples(series))
    late_start = T0 + timedelta(days=8)
    rig.arrive(samples(steady(1, step=60.0), start=late_start))
    rig.tick(late_start + timedelta(hours=1))
    rig.arrive(samples({"PDT-1": [(600.0 + 30 * i, 20.0, 0) for i in range(20)]}))
    summary = rig.tick(late_start + timedelta(hours=1, minutes=1))
    assert summary.too_old == {"sk-1": T0 + timedelta(minutes=10)}
    assert rig.current("dp-rise") == []
    rig.analyzer.rewind("sk-1", T0 + timedelta(minutes=10))
    rig.tick(late_start + timedelta(hours=1, minutes=2))
    (found,) = rig.current("dp-rise")
    assert (found.late, found.onset) == (True, T0 + timedelta(minutes=10))


@settings(max_examples=8, deadline=None)
@given(st.data())
def test_live_equals_replay_whatever_the_order(tmp_path_factory, data):
    """Batches in any order, late by up to hours, restarts anywhere: once all is in, findings equal one pass."""
    rng = np.random.default_rng(data.draw(st.integers(0, 2**16)))
    table = story(data.draw(st.integers(20, 120)), data.draw(st.integers(20, 150)), step=60.0)
    delay = np.where(rng.random(len(table)) < 0.2, rng.integers(0, 90, len(table)), 0) * 60_000_000
    if data.draw(st.booleans()):
        minute = (table["time"].cast(pa.int64()).to_numpy() - micros(T0)) // 60_000_000
        delay = np.where((minute >= 100) & (minute < 140), (150 - minute) * 60_000_000, delay)
    received = table["received"].cast(pa.int64()).to_numpy() + delay
    table = table.set_column(4, SAMPLES.field("received"), pa.array(received).cast(table["received"].type))
    folder = tmp_path_factory.mktemp("live")
    rig = Rig(folder / "log.db")
    minute, last = 0, HOURS * 60 + 95
    while minute < last:
        step = data.draw(st.integers(5, 75))
        rig.arrive(between(table, minute, minute + step, "received"))
        if data.draw(st.booleans()):
            rig.start()
        minute += step
        rig.tick(T0 + timedelta(minutes=minute))
    now = T0 + timedelta(minutes=minute)
    assert rig.findings() == replayed(folder / "once.db", rig.store, now=now)
    assert {"oil-carry-over", "dp-rise"} <= {f.kind for f in rig.logbook.analysis.current()}
    rig.logbook.close()
