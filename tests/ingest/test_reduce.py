"""Thinning out keeps its bound, every status change and every gap, and nothing acknowledged is in memory alone."""

import itertools
import math
import random
import threading
from datetime import UTC, datetime

import numpy as np
import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.inbox import Inbox, message
from ingest.intake import Intake
from ingest.lookup import build_lookup
from ingest.reduce import Point, Thinner
from ingest.router import Router, found_formats
from ingest.spool import Spool
from skidhand.errors import FleetFileError
from skidhand.fleet.quality import Reduce
from skidhand.model.quality import GOOD, UNCERTAIN, is_good
from skidhand.model.samples import moment
from tests.ingest.support import NOON_US, TOPIC
from tests.ingest.test_quality import fleet_with

SECOND = 1_000_000
DOOR, BAND = Reduce(swinging_door=0.5, max_interval=600), Reduce(deadband=0.5, max_interval=600)


def points(values, quality=None, step=1):
    """One a second."""
    return [
        Point(
            NOON_US + round(i * step * SECOND), v, quality[i] if quality else GOOD, NOON_US + round(i * step * SECOND)
        )
        for i, v in enumerate(values)
    ]


def kept(spec, given, expected_s=None):
    """What is stored of these points, the held one at the end too."""
    thinner = Thinner(spec, expected_s)
    stored = [point for each in given for point in thinner.feed(each)]
    return stored + thinner.release()


def indices(spec, values):
    """Which of the values are stored."""
    given = points(values)
    return [given.index(point) for point in kept(spec, given)]


def textbook(values, bound):
    """Indices kept by the textbook form: only whether the doors have crossed, then the value before."""
    stored, low, high = [0], -math.inf, math.inf
    for i in range(1, len(values)):
        since, rise = i - stored[-1], values[i] - values[stored[-1]]
        low, high = max(low, (rise - bound) / since), min(high, (rise + bound) / since)
        if low > high:
            stored.append(i - 1)
            rise = values[i] - values[i - 1]
            low, high = rise - bound, rise + bound
    return [*stored, len(values) - 1]


def error_of_lines(values, stored):
    """The largest distance of a value from the straight line between its stored neighbours."""
    return float(np.max(np.abs(np.interp(np.arange(len(values)), stored, np.asarray(values)[stored]) - values)))


# Worked by hand after the claims of US patent 4 669 097, bound 0.5.
@pytest.mark.parametrize(
    ("values", "stored"),
    [
        ([0, 1, 2, 3, 4, 5], [0, 5]),
        ([0, 0, 0, 3, 0, 0, 0], [0, 2, 3, 4, 6]),
        ([0, 0, 0, 0, 5, 5, 5, 5], [0, 3, 4, 7]),
        ([0, 0.4, -0.4, 0.4, -0.4, 0], [0, 1, 2, 3, 4, 5]),
    ],
    ids=str,
)
def test_the_strict_door_by_hand(values, stored):
    """Ramp, spike, step; and a zigzag within the bound, which no door holds from its first corner on."""
    assert indices(DOOR, values) == stored


def test_the_strict_door_keeps_its_bound_and_the_textbook_form_does_not():
    """5,000 values of noise: the textbook form errs by nearly twice its bound, the strict one never beyond it."""
    noise = random.Random(7)
    values = [noise.gauss(0, 0.5) for _ in range(5000)]
    strict = indices(Reduce(swinging_door=0.5, max_interval=600), values)
    assert error_of_lines(values, textbook(values, 0.5)) > 0.8
    assert error_of_lines(values, strict) <= 0.5
    assert len(strict) < 4000


floats = st.floats(-1e6, 1e6, allow_nan=False, width=32)


@settings(max_examples=150, deadline=None)
@given(values=st.lists(floats | st.integers(-3, 3).map(float), min_size=2, max_size=60), bound=st.floats(1e-3, 1e3))
def test_no_value_left_out_is_further_off_than_the_bound(values, bound):
    """Any series: lines between kept values (door), the last kept value (deadband), to the last bits of a float."""
    stored = indices(Reduce(swinging_door=bound, max_interval=600), values)
    rounding = 8 * np.finfo(float).eps * (max(map(abs, values)) + bound)
    assert (stored[0], stored[-1]) == (0, len(values) - 1)
    assert error_of_lines(values, stored) <= bound + rounding
    stored = indices(Reduce(deadband=bound, max_interval=600), values)
    held = np.asarray(values)[np.asarray(stored)[np.searchsorted(stored, np.arange(len(values)), side="right") - 1]]
    assert np.max(np.abs(held - values)) <= bound


@settings(max_examples=100, deadline=None)
@given(
    steps=st.lists(
        st.tuples(st.integers(1, 200), st.integers(0, 3), st.sampled_from([GOOD] * 5 + [UNCERTAIN])), min_size=1
    ),
    spec=st.sampled_from([DOOR, BAND, Reduce(swinging_door=2, max_interval=60), Reduce(deadband=2, max_interval=60)]),
)
def test_status_changes_and_gaps_survive(steps, spec):
    """What is not Good is stored, with the Good values on both sides, and both edges of each gap; no long silence."""
    second, given = 0, []
    for step, value, quality in steps:
        second += step
        given.append(Point(NOON_US + second * SECOND, float(value), quality, NOON_US))
    stored = set(kept(spec, given, expected_s=10))
    for before, after in itertools.pairwise(given):
        if before.quality != after.quality or after.time_us - before.time_us > 25 * SECOND:
            assert {before, after} <= stored
    assert {point for point in given if not is_good(point.quality)} <= stored
    assert {given[0], given[-1]} <= stored
    times = sorted(point.time_us for point in stored)
    longest = spec.max_interval * SECOND
    assert all(b - a <= longest or not any(a < p.time_us < b for p in given) for a, b in itertools.pairwise(times))


def test_late_and_repeated_samples_pass_as_they_are():
    """Also one that takes the place of the held one; the stream's own order is not disturbed."""
    thinner = Thinner(DOOR)
    given = points([1.0, 1.0, 1.0])
    assert [thinner.feed(point) for point in given] == [[given[0]], [], []]
    late, again = given[1]._replace(value=9.0), given[2]._replace(quality=UNCERTAIN)
    assert thinner.feed(late) == [late]
    assert thinner.held == given[2]
    assert thinner.feed(again) == [again]
    assert thinner.held is None
    nxt = points([0, 0, 0, 1.0])[3]
    assert thinner.feed(nxt) == [nxt], "after a value that is not Good the next is stored"


@pytest.mark.parametrize(
    ("instrument", "told"),
    [
        ({"reduce": {}}, "either 'deadband' or 'swinging_door'"),
        ({"reduce": {"deadband": 1, "swinging_door": 1}}, "either 'deadband' or 'swinging_door'"),
        ({"reduce": {"swinging_door": 0}}, "greater than 0"),
        ({"reduce": {"deadband": 1, "max_interval": 601}}, "less than or equal to 600"),
        ({"reduce": {"deadband": 1}, "states": {0: "off"}}, "are not thinned out"),
        ({"reduce": {"deadband": 1}, "total": True}, "are not thinned out"),
    ],
)
def test_what_cannot_be_thinned_out_is_told(instrument, told):
    """By ``check``, with the line."""
    with pytest.raises(FleetFileError, match=told):
        fleet_with(PT_1={"unit": "[psi]"} | instrument)


class Line:
    """The worker without a broker: messages in, a spool that can be opened again, samples out."""

    LOOKUPS = tuple(
        build_lookup(fleet_with(PT_1={"unit": "[psi]", "reduce": reduce}, PT_2={"unit": "[psi]"}))
        for reduce in ({"swinging_door": 0.5, "max_interval": 60}, None)
    )

    def __init__(self, path):
        self._path, self.lookup, self.now_us, self.acknowledged = path, self.LOOKUPS[0], NOON_US, 0
        self.open()

    def open(self):
        """A new process."""
        self.spool = Spool(self._path, reserve_bytes=0)
        self._intake = Intake(
            inbox=Inbox(),
            router=Router(found_formats()),
            lookup=lambda: self.lookup,
            clock=self,
            spool=self.spool,
            acknowledge=lambda done: setattr(self, "acknowledged", self.acknowledged + len(done)),
        )

    def now(self):
        """As a wall clock's."""
        return moment(self.now_us)

    def send(self, second, value):
        """One message of both instruments."""
        self.now_us = NOON_US + second * SECOND
        document = {"time": self.now_us // 1000, "values": {"PT-1": value, "PT-2": value}}
        self._intake.work([message(TOPIC, orjson.dumps(document), self.now_us)], threading.Event())

    def idle(self, second):
        """Time goes by without a message."""
        self.now_us = NOON_US + second * SECOND
        self._intake.work((), threading.Event())

    def stored(self, tag):
        """(second, value) as spooled, and that receive times never fall."""
        rows = [row for batch in self.spool.waiting(10**9) for row in batch.table().to_pylist()]
        assert [row["received"] for row in rows] == sorted(row["received"] for row in rows)
        noon = datetime.fromtimestamp(NOON_US / SECOND, UTC)
        return [((r["time"] - noon).total_seconds(), r["value"]) for r in rows if r["series"] == f"tf-skid-1/{tag}"]


def test_what_was_acknowledged_is_on_disk_at_every_moment(tmp_path):
    """After a kill the last value before it is stored; without one it waits for the next, or for quiet."""
    line = Line(tmp_path / "spool.db")
    for second in range(10):
        line.send(second, 1.0)
    assert line.acknowledged == 10
    assert line.stored("PT-1") == [(0, 1.0)]
    assert [value for _, value in line.stored("PT-2")] == [1.0] * 10
    line.spool.close()
    line.open()
    line.idle(11)
    assert line.stored("PT-1") == [(0, 1.0), (9, 1.0)]
    line.send(12, 1.0)
    line.send(13, 1.0)
    line.idle(13 + 59)
    assert line.stored("PT-1")[2:] == [(12, 1.0)]
    line.idle(13 + 60)
    assert line.stored("PT-1")[2:] == [(12, 1.0), (13, 1.0)]
    line.spool.close()


def test_another_fleet_version_lets_go_of_what_is_held(tmp_path):
    """Nothing waits for a rule that is no longer in force."""
    line = Line(tmp_path / "spool.db")
    line.send(0, 1.0)
    line.send(1, 1.0)
    line.lookup = line.LOOKUPS[1]
    line.send(2, 1.0)
    assert line.stored("PT-1") == [(0, 1.0), (1, 1.0), (2, 1.0)]
    line.spool.close()


def test_by_default_nothing_is_thinned_out():
    """No instrument without ``reduce`` has a thinner."""
    assert build_lookup(fleet_with(PT_1={"unit": "[psi]", "deadband": 0.5})).reduced == {}
