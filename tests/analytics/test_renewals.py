"""What was renewed, adjusted or moved begins anew what was learnt of it, and nothing else; everybody sees how far."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.engine import Memory
from analytics.learning import watched
from analytics.renewals import Renewal, renewals
from analytics.walk import Walk, cut
from skidhand.model.entry_kinds import make_entry
from tests.analytics.plant import FLEET, MINUTE0, T0, fleet, samples, steady, view
from tests.analytics.test_service import Rig, between
from tests.analytics.toys import OIL

HOURS = 5
LEARN = 60


class MeanState(State):
    """Usable readings that are learnt, the mean, and the onset of what is open."""

    learning: tuple[float, ...] = ()
    mean: float | None = None
    onset: int | None = None


class Mean:
    """Learns the mean of an hour's readings, then says what is a fifth above it, at once."""

    version, unit_type, state, cause = 1, "media_filter", MeanState, None

    def __init__(self, name, role, kind, learns):
        self.name, self.role, self.kind, self.learns = name, role, kind, learns
        self.kinds = frozenset({kind})

    def needs(self, unit, skid):  # noqa: ARG002
        """Its one role."""
        return Coverage(self.kinds if unit.has(self.role) else frozenset())

    def start(self, unit, skid):  # noqa: ARG002
        """Nothing learnt."""
        return MeanState()

    def progress(self, unit, state):  # noqa: ARG002
        """Hours."""
        return Progress(len(state.learning) / 60, LEARN / 60) if state.mean is None else None

    def step(self, unit, skid, block, state):  # noqa: ARG002
        """As the class says."""
        s, drafts = state.model_copy(), []
        for minute, value in zip(block.minutes.tolist(), block.clean(unit.id, self.role).tolist(), strict=True):
            if np.isnan(value):
                continue
            if s.mean is None:
                s.learning = (*s.learning, value)
                if len(s.learning) == LEARN:
                    s.mean, s.learning = float(np.mean(s.learning)), ()
            elif (value > 1.2 * s.mean) != (s.onset is not None):
                onset, ended = (minute, None) if s.onset is None else (s.onset, minute)
                drafts.append(Draft(minute, self.kind, str(onset), onset, "medium", 0.9, unit.id, "fouling", ended))
                s.onset = onset if ended is None else None
        return s, drafts


WATER = Mean("toy-water", "dp", "dp-rise", Learns(parts=frozenset({"media"}), roles=frozenset({"dp"})))
WEAR = Mean(
    "toy-wear",
    "dp",
    "incomplete-backwash",
    Learns(
        parts=frozenset({"media"}),
        keeps=frozenset(MeanState.model_fields),
        stays=frozenset({"incomplete-backwash"}),
    ),
)
TOYS = {d.name: d for d in (WATER, WEAR, OIL)}


def at(minute):
    """That many minutes after the beginning."""
    return T0 + timedelta(minutes=minute)


def work(minute, **data):
    """An entry of work on the skid."""
    return make_entry("work", at(minute), "robin", skid="sk-1", data=data)


MEDIA = {"unit_id": "filter-a", "resets": "media"}


def rising(*steps, hours=HOURS, step=10.0):
    """The quiet skid, its drop 4 psi and from each (minute, factor) on that many times as much."""
    series = steady(hours, step=step)
    factor = np.ones(len(series["PDT-1"]))
    for minute, times in steps:
        factor[[s >= minute * 60 for s, _, _ in series["PDT-1"]]] = times
    series["PDT-1"] = [(s, round(v * f, 3), q) for (s, v, q), f in zip(series["PDT-1"], factor, strict=True)]
    return samples(series)


def walked(table, entries=(), *, text=FLEET, stops=(HOURS * 60,)):
    """The walk over the table with the toys."""
    versions = [(T0, fleet(text))]
    renewed = renewals(entries, versions).get("sk-1", {})
    walk = Walk("sk-1", versions, TOYS, Memory(), MINUTE0, renewed=renewed)
    for stop in stops:
        walk.go(MINUTE0 + stop, lambda a, b: cut(table, a, b), block=1440, snapshots_from=2**40)
    return walk


def told(walk):
    """(kind, state, minutes of onset and end) of the last revision of each finding."""
    last = {f.id: f for f in walk.ledger.revisions}.values()
    return {
        (f.kind, f.state, (f.onset - T0) // timedelta(minutes=1), f.ended and (f.ended - T0) // timedelta(minutes=1))
        for f in last
    }


@pytest.mark.parametrize("stops", [(300,), (*range(7, 301, 7), 300)])
def test_new_media_begin_the_filter_anew(stops):
    """What was open ends with the old media, an hour is learnt, the new level is no fault; oil goes on as it was."""
    table = rising((120, 1.5), (280, 2.5))
    without = walked(table, stops=stops)
    assert told(without) == {("dp-rise", "open", 120, None), ("incomplete-backwash", "open", 120, None)}
    anew = walked(table, [work(150, **MEDIA)], stops=stops)
    assert told(anew) == {
        (kind, state, onset, ended)
        for kind in ("dp-rise", "incomplete-backwash")
        for state, onset, ended in (("closed", 120, 150), ("open", 280, None))
    }
    oil = ("toy-oil", "tank")
    assert anew.memory.learnt[oil] == without.memory.learnt[oil]
    assert {known.since for key, known in anew.memory.learnt.items() if key != oil} == {MINUTE0 + 150}


def test_an_adjusted_instrument_begins_those_anew_that_rest_on_it():
    """A calibration that moved the drop, or a cleaning, begins what is learnt of the drop anew; none else."""
    for entry in (
        make_entry("calibration", at(90), "robin", skid="sk-1", data={"tag": "PDT-1", "as_found": 5, "as_left": 4}),
        make_entry("calibration", at(90), "robin", skid="sk-1", data={"tag": "PDT-1"}),
        work(90, tag="PDT-1", resets="instrument"),
    ):
        learnt = walked(rising(), [entry]).memory.learnt
        assert (learnt["toy-water", "filter-a"].why, learnt["toy-water", "filter-a"].what) == ("instrument", "PDT-1")
        assert learnt["toy-water", "filter-a"].since == MINUTE0 + 90
        assert learnt["toy-wear", "filter-a"].since == MINUTE0


@pytest.mark.parametrize(
    "entry",
    [
        make_entry("calibration", at(90), "r", skid="sk-1", data={"tag": "PDT-1", "as_found": 4.02, "as_left": 4.0}),
        make_entry(
            "calibration", at(90), "r", skid="sk-1",
            data={"tag": "PDT-1", "as_found": 27.7, "as_left": 27.6, "unit": "kPa"},
        ),
        make_entry("calibration", at(90), "r", skid="sk-1", data={"tag": "FT-1", "as_found": 39, "as_left": 38}),
        make_entry("work", at(90), "r", skid="sk-1", data={"unit_id": "filter-a", "hours": 2}),
        make_entry("work", at(90), "r", skid="sk-2", data=MEDIA),
        make_entry("note", at(90), "r", skid="sk-1", text="new media", data={}),
    ],
)  # fmt: skip
def test_what_changed_nothing_begins_nothing(entry):
    """Within its resolution (0.03 psi is a thousandth of the span), another instrument, other work, another skid."""
    table = rising((120, 1.5))
    assert told(walked(table, [entry])) == told(walked(table))


def test_entries_become_renewals_in_order():
    """By skid and place, sorted, twice the same once."""
    found = renewals([work(20, **MEDIA), work(10, **MEDIA), work(20, **MEDIA)], [(T0, fleet())])
    assert found == {
        "sk-1": {"filter-a": (Renewal(MINUTE0 + 10, "media", "filter-a"), Renewal(MINUTE0 + 20, "media", "filter-a"))}
    }


MOVED = FLEET.replace(
    "[{site: tansy-4, from: 2026-01-01}]",
    "[{site: tansy-4, from: 2026-01-01, to: 2026-03-01T02:20:00Z}, {site: tansy-5, from: 2026-03-01T02:40:00Z}]",
)


def test_what_belongs_to_the_equipment_moves_with_it():
    """Water's finding ends with the pad and its baseline is learnt anew; wear stays open, and stands at the new pad."""
    walk = walked(rising((120, 1.5), (290, 1.0)), text=MOVED, stops=(130, 150, 200, 285))
    assert told(walk) == {("dp-rise", "closed", 120, 140), ("incomplete-backwash", "open", 120, None)}
    wear = [f for f in walk.ledger.revisions if f.kind == "incomplete-backwash"]
    assert [f.site for f in wear] == ["tansy-4", "tansy-5"]
    assert walk.memory.learnt["toy-water", "filter-a"].since == MINUTE0 + 160
    assert walk.memory.learnt["toy-wear", "filter-a"].since == MINUTE0
    walk.go(MINUTE0 + 300, lambda a, b: cut(rising((120, 1.5), (290, 1.0)), a, b), block=60, snapshots_from=2**40)
    assert ("incomplete-backwash", "closed", 120, 290) in told(walk)


def test_a_new_version_learns_wear_from_before_the_move():
    """What re-learns from the store after a move learns the place's from the placement, the equipment's from before."""
    walk = walked(rising((120, 1.5)), text=MOVED, stops=(290,))
    newer = {name: Mean(name, d.role, d.kind, d.learns) for name, d in TOYS.items() if isinstance(d, Mean)}
    for detector in newer.values():
        detector.version = 2
    again = Walk("sk-1", walk.versions, {**newer, OIL.name: OIL}, walk.memory, walk.minute)
    again.go(MINUTE0 + 300, lambda a, b: cut(rising((120, 1.5)), a, b), block=60, snapshots_from=2**40)
    states = {key[0]: (known.version, known.state) for key, known in again.memory.learnt.items()}
    before = {key[0]: (2, known.state) for key, known in walk.memory.learnt.items() if key[0] != OIL.name}
    assert {name: states[name] for name in before} == before


def test_the_memory_tells_what_is_learnt_and_how_far():
    """Who, why, since when, how far, and the earliest end; nothing once it is learnt."""

    def state(walk):
        return watched(view(), walk.memory, TOYS, walk.minute)

    fresh = state(walked(rising(), stops=(45,)))
    assert [(one.unit, one.detector, one.why) for one in fresh.learning] == [
        ("filter-a", "toy-water", "placement"), ("filter-a", "toy-wear", "placement"),
    ]  # fmt: skip
    assert state(walked(rising(), stops=(60,))).learning == ()
    (water, _) = state(walked(rising(), [work(90, **MEDIA)], stops=(105,))).learning
    assert (water.why, water.what, water.since, water.kinds) == ("part", "media", at(90), ("dp-rise",))
    assert (water.done, water.of, water.measure) == (0.25, 1.0, "h")
    assert water.not_before == at(150)
    (line,) = state(walked(rising(), [work(90, **MEDIA)], stops=(105,))).lines
    assert line == (
        "filter-a", at(90), at(150), "learning, new media: dp-rise, incomplete-backwash; 0.25 of 1 h in service"
    )  # fmt: skip


def test_little_flow_is_not_watched_now():
    """Below 30 % of design flow for ten minutes it says so, in the meter's unit; with flow again no more."""
    series = steady(2, step=30.0)
    series["FT-1"] = [(s, 9.0 if 1800 <= s < 5400 else v, q) for s, v, q in series["FT-1"]]
    for stop, expected in ((30, None), (39, None), (40, 30), (89, 30), (91, None)):
        for stops in ((stop,), (*range(1, stop, 3), stop)):
            walk = walked(samples(series), stops=stops)
            found = watched(view(), walk.memory, TOYS, walk.minute).not_watched
            assert (found and found.since) == (None if expected is None else at(expected))
    found = watched(view(), walked(samples(series), stops=(60,)).memory, TOYS, MINUTE0 + 60).not_watched
    assert found.reason == "not watched now: flow 9 is below 12 [gal_us]/min"


def test_an_entry_that_comes_late_re_computes_what_it_touches(tmp_path):
    """Told an hour later, it takes back what the old baseline said, tells no old event anew, and equals a replay."""
    rig = Rig(tmp_path / "late.db")
    rig.start(detectors=TOYS)
    rig.arrive(rising((120, 1.5), (190, 2.5)))
    rig.tick(at(200))
    wrong = rig.logbook.analysis.current()
    assert {(f.kind, f.state, f.onset) for f in wrong} == {(k, "open", at(120)) for k in ("dp-rise", WEAR.kind)}
    rig.logbook.entries.add(work(110, **MEDIA))
    assert rig.tick(at(201)).rewound == {"sk-1": at(110)}
    assert rig.tick(at(202)).rewound == {}
    assert {rig.logbook.analysis.history(f.id)[-1].state for f in wrong} == {"superseded"}
    right = rig.logbook.analysis.current()
    assert {(f.kind, f.onset, f.detected) for f in right} == {(f.kind, at(190), at(191)) for f in wrong}
    once = Rig(tmp_path / "once.db")
    once.store = rig.store
    once.logbook.entries.add(work(110, **MEDIA))
    once.start(detectors=TOYS)
    once.tick(at(202))
    assert rig.findings() == once.findings()
    seen = rig.logbook.analysis.watched()
    assert seen == once.logbook.analysis.watched()
    assert seen["sk-1"].at == at(201)
    once.logbook.close()
    rig.logbook.close()


@settings(max_examples=3, deadline=None)
@given(st.data())
def test_live_equals_replay_whenever_it_is_told(tmp_path_factory, data):
    """Work told in time, late or ahead, by a restarting analyser, data late: findings and learning equal one pass."""
    table = rising((data.draw(st.integers(70, 130)), 1.5), (data.draw(st.integers(140, 290)), 2.5), step=60.0)
    entries = [
        (data.draw(st.integers(0, 300)), work(data.draw(st.integers(20, 290)), **MEDIA)),
        (data.draw(st.integers(0, 300)), work(data.draw(st.integers(20, 290)), tag="PDT-1", resets="instrument")),
    ]
    lost = data.draw(st.integers(30, 250))
    folder = tmp_path_factory.mktemp("told")
    versions = [(T0 - timedelta(days=60), fleet(data.draw(st.sampled_from([FLEET, MOVED]))))]
    rig, once, minute = Rig(folder / "live.db", versions), Rig(folder / "once.db", versions), 0
    rig.arrive(between(table, 0, lost))
    while minute < 320:
        before, minute = minute, minute + data.draw(st.integers(20, 80))
        if before >= lost:
            rig.arrive(between(table, lost, minute) if rig.batches == 1 else between(table, before, minute))
        for told, entry in entries:
            if before <= told < minute:
                rig.logbook.entries.add(entry)
        rig.start(detectors=TOYS)
        rig.tick(at(minute))
    rig.arrive(between(table, lost, 301))
    rig.tick(at(minute + 1))
    once.store = rig.store
    once.logbook.entries.add_new(entry for _, entry in entries)
    once.start(detectors=TOYS)
    once.tick(at(minute + 1))
    assert rig.findings() == once.findings()
    assert rig.logbook.analysis.watched() == once.logbook.analysis.watched()
    rig.logbook.close()
    once.logbook.close()
