"""Judged by published limits, never altered: NAMUR NE 43, QARTOD against its reference library, ppm, clocks."""

import random

import numpy as np
import orjson
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from ioos_qc import qartod

from ingest.bench import Bench, Memory
from ingest.clocks import ClockWatch
from ingest.doubts import AT_HIGH, AT_LOW, MEANING, UNCERTAIN_NOT_ACCURATE, UNCERTAIN_UNITS_EXCEEDED, Doubt
from ingest.formats.base import Reading
from ingest.lookup import build_lookup
from ingest.reasons import Tally
from skidhand.errors import FleetFileError
from skidhand.fleet import parse_fleet
from skidhand.model.quality import BAD, BAD_SENSOR_FAILURE, GOOD, SEVERITY_SHIFT, UNCERTAIN
from tests.ingest.support import FLEET_TEXT, NOON_US, outcome

SECOND = 1_000_000


def fleet_with(water=None, **instruments):
    """The support fleet, its first skid with these instruments."""
    document = yaml.safe_load(FLEET_TEXT)
    skid = document["skids"][0]
    skid["instruments"] = {tag.replace("_", "-"): instrument for tag, instrument in instruments.items()}
    if water:
        skid["water"] = water
    return parse_fleet(yaml.safe_dump(document, sort_keys=False))


class Line:
    """One instrument's way through the judge, batch by batch."""

    def __init__(self, own_time=True, **instrument):
        self.lookup = build_lookup(fleet_with(PT_1={"unit": "[psi]"} | instrument))
        self._memory, self._own_time = Memory(self.lookup), own_time
        self.rows, self.doubts = [], {}

    def send(self, *samples, status=None, received_us=None):
        """One batch of (second, value) samples."""
        bench, tally = Bench(self.lookup, own_time=self._own_time, memory=self._memory), Tally()
        for second, value in samples:
            time_us = NOON_US + round(second * SECOND)
            states = {} if status is None else {"PT-1": status}
            reading = Reading("sedge-2", "tf-skid-1", time_us, {"PT-1": value}, states)
            bench.listen([reading], received_us or time_us)
            bench.judge(reading, received_us or time_us, tally)
        assert not tally.by_reason
        for row in bench.table().to_pylist():
            self.rows.append(((row["time"].timestamp() - NOON_US / SECOND), row["value"], row["quality"]))
        for doubt, count in bench.doubts.items():
            self.doubts[doubt.value] = self.doubts.get(doubt.value, 0) + count
        return self

    @property
    def stored(self):
        """(second, value, quality) as a reader sees it: the last of each key."""
        return sorted({row[0]: row for row in self.rows}.values())

    @property
    def qualities(self):
        """The qualities in order of time."""
        return [quality for _, _, quality in self.stored]


# NAMUR NE 43 (2021-07-26): 3.8 to 20.5 mA measure; 3.6 and less, 21 and more, signal a failure.
NE_43 = [
    (0.0, BAD_SENSOR_FAILURE | AT_LOW),
    (3.6, BAD_SENSOR_FAILURE | AT_LOW),
    (3.61, UNCERTAIN_NOT_ACCURATE | AT_LOW),
    (3.79, UNCERTAIN_NOT_ACCURATE | AT_LOW),
    (3.8, UNCERTAIN_UNITS_EXCEEDED),
    (3.99, UNCERTAIN_UNITS_EXCEEDED),
    (4.0, GOOD),
    (12.0, GOOD),
    (20.0, GOOD),
    (20.01, UNCERTAIN_UNITS_EXCEEDED),
    (20.5, UNCERTAIN_UNITS_EXCEEDED),
    (20.51, UNCERTAIN_NOT_ACCURATE | AT_HIGH),
    (20.99, UNCERTAIN_NOT_ACCURATE | AT_HIGH),
    (21.0, BAD_SENSOR_FAILURE | AT_HIGH),
    (22.0, BAD_SENSOR_FAILURE | AT_HIGH),
]


@pytest.mark.parametrize("span", [(0.0, 100.0), (-20.0, 180.0), (0.1, 0.7)], ids=str)
def test_a_current_loop_is_judged_by_ne_43(span):
    """Each current, sent as the value that it stands for, has NE 43's verdict; without ``signal`` only the range's."""
    low, high = span
    values = [low + (current - 4) / 16 * (high - low) for current, _ in NE_43]
    loop = Line(range=span, signal="4-20mA").send(*enumerate(values))
    assert loop.qualities == [quality for _, quality in NE_43]
    assert [value for _, value, _ in loop.stored] == values
    assert loop.doubts == {"signal-failed": 4, "signal-limited": 4, "out-of-range": 4}
    plain = Line(range=span).send(*enumerate(values))
    assert set(plain.qualities) == {GOOD, UNCERTAIN_UNITS_EXCEEDED}


# Flags by ioos_qc on this series at 60 s, as QARTOD numbers them: 1 good, 2 not evaluated, 3 suspect, 4 fail.
SERIES = [10, 10.1, 10.2, 14, 10.3, *[10.2] * 7, 25, -3]
TESTS = {
    "range": ({"suspect": [5, 15], "fail": [0, 20]}, [1] * 12 + [4, 4]),
    "spike": ({"suspect": 1, "fail": 3}, [2, 1, 3, 4, 3, 1, 1, 1, 1, 1, 1, 4, 4, 2]),
    "rate": ({"suspect": 0.05}, [1, 1, 1, 3, 3, 1, 1, 1, 1, 1, 1, 1, 3, 3]),
    "flat": ({"tolerance": 0.05, "suspect": 180, "fail": 300}, [1] * 8 + [3, 3, 4, 4, 1, 1]),
}


def reference(test, asked, values, times):
    """The flags of ioos_qc."""
    if test == "range":
        return qartod.gross_range_test(values, fail_span=asked["fail"], suspect_span=asked["suspect"])
    if test == "spike":
        return qartod.spike_test(values, suspect_threshold=asked["suspect"], fail_threshold=asked["fail"])
    if test == "rate":
        return qartod.rate_of_change_test(values, times, threshold=asked["suspect"])
    return qartod.flat_line_test(values, times, asked["suspect"], asked["fail"], asked["tolerance"])


def flags(line):
    """Our verdicts as QARTOD's flags; ours has no word for what was not evaluated."""
    return [
        {0: 1, 1: 3, 2: 4}[quality >> SEVERITY_SHIFT] if value is not None else 9 for _, value, quality in line.stored
    ]


def evaluated(theirs):
    """Theirs, where what was not evaluated stays Good."""
    return [1 if flag == 2 else int(flag) for flag in theirs]


@pytest.mark.parametrize("test", TESTS)
@pytest.mark.parametrize("batch", [1, 2, 5, 14])
def test_qartod_flags_are_those_of_its_reference(test, batch):
    """On a fixed series, however it is cut into batches: ours, ioos_qc's and the flags written here are the same."""
    asked, expected = TESTS[test]
    times = np.arange(len(SERIES)) * 60
    line = Line(checks={test: asked})
    for start in range(0, len(SERIES), batch):
        line.send(*list(zip(times.tolist(), SERIES, strict=True))[start : start + batch])
    theirs = reference(test, asked, np.array(SERIES, dtype=float), times.astype("datetime64[s]"))
    assert theirs.tolist() == expected
    assert flags(line) == evaluated(expected)
    assert [value for _, value, _ in line.stored] == SERIES


@settings(max_examples=25, deadline=None)
@given(
    values=st.lists(st.none() | st.integers(0, 12).map(lambda n: n / 4), min_size=7, max_size=40),
    cuts=st.randoms(use_true_random=False),
)
@pytest.mark.parametrize("test", TESTS)
def test_qartod_flags_are_those_of_its_reference_on_any_series(test, values, cuts):
    """Random series with missing readings, cut at random: the same flags as ioos_qc's.

    Its flat line looks at windows with missing readings too, where a run of ours begins anew: series without.
    """
    if test == "flat":
        values = [value or 0.0 for value in values]
    asked = {
        "range": {"suspect": [0.5, 2.5], "fail": [0.25, 2.75]},
        "spike": {"suspect": 0.6, "fail": 1.1},
        "rate": {"suspect": 0.07},
        "flat": {"tolerance": 0.6, "suspect": 20, "fail": 40},
    }[test]
    times = np.arange(len(values)) * 10
    line, rest = Line(checks={test: asked}), list(zip(times.tolist(), values, strict=True))
    while rest:
        size = cuts.randint(1, 6)
        line.send(*rest[:size])
        rest = rest[size:]
    numbers = np.array([np.nan if value is None else value for value in values])
    theirs = reference(test, asked, numbers, times.astype("datetime64[s]"))
    assert flags(line) == evaluated(theirs)


def test_a_spike_is_marked_when_the_next_sample_shows_it():
    """The sample is stored at once, and once more with the worse status when the next has come; the value is kept."""
    line = Line(checks={"spike": {"suspect": 1}})
    for second, value in enumerate((5.0, 9.0)):
        line.send((second, value))
    assert line.rows == [(0, 5.0, GOOD), (1, 9.0, GOOD)]
    line.send((2, 5.0))
    assert line.rows[2:] == [(2, 5.0, GOOD), (1, 9.0, UNCERTAIN)]
    assert line.doubts == {"spike": 1}


def test_what_is_late_is_compared_with_fixed_limits_alone():
    """Late, repeated and Bad samples neither fail a comparison nor disturb the stream's own."""
    line = Line(
        range=[0, 50], checks={"rate": {"suspect": 1}, "spike": {"suspect": 1}, "flat": {"tolerance": 1, "fail": 9}}
    )
    line.send((10, 5.0)).send((3, 40.0), (10, 30.0)).send((11, 45.0), status=BAD).send((12, 5.0), (2, 99.0))
    assert line.qualities == [UNCERTAIN_UNITS_EXCEEDED, GOOD, GOOD, BAD, GOOD]


def test_nothing_is_tested_that_is_not_asked_for():
    """Without ``checks`` any jump is Good."""
    line = Line().send(*enumerate(SERIES))
    assert set(line.qualities) == {GOOD}
    assert line.doubts == {}


@pytest.mark.parametrize(
    ("instrument", "told"),
    [
        ({"signal": "4-20mA"}, "needs 'range'"),
        ({"checks": {"spike": {}}}, "give 'suspect', 'fail' or both"),
        ({"checks": {"rate": {"suspect": 3, "fail": 2}}}, "must not be above"),
        ({"checks": {"range": {"suspect": [0, 10], "fail": [1, 9]}}}, "must lie within"),
        ({"checks": {"flat": {"suspect": 10}}}, "tolerance"),
        ({"checks": {"jerk": {"suspect": 10}}}, "jerk"),
    ],
)
def test_what_a_fleet_file_cannot_ask_is_told(instrument, told):
    """With the line, as every error of the file."""
    with pytest.raises(FleetFileError, match=rf"line \d+.*{told}|:\d+.*{told}"):
        fleet_with(PT_1={"unit": "[psi]"} | instrument)


def senml(unit, tag="AT-301"):
    """A pack of one value in that unit."""
    return orjson.dumps([{"bt": NOON_US / 1e6, "n": tag, "u": unit, "v": 30}])


@pytest.mark.parametrize(
    ("unit", "basis", "tds", "taken"),
    [
        ("%", None, 90_000, False),
        ("%", None, 9_000, True),
        ("%", None, None, True),
        ("%", "mass", 90_000, True),
        ("[ppm]", "volume", 90_000, True),
    ],
)
def test_a_bare_ppm_in_salty_water_needs_its_basis(unit, basis, tds, taken):
    """On the wire too: above 10 g/L of salt a ppm that nobody says to be by mass or volume is refused."""
    instrument = {"unit": unit} | ({"basis": basis} if basis else {})
    fleet = fleet_with({"tds": tds} if tds else None, AT_301=instrument)
    got = outcome(senml("ppm"), "skidhand/sedge-2/tf-skid-1/senml", lookup=build_lookup(fleet))
    assert got.refused == ({} if taken else {"ambiguous-unit": 1})
    assert len(got.values) == int(taken)


def test_a_bare_ppm_in_salty_water_is_no_unit_of_the_file():
    """``check`` refuses it; and a unit that measures something else is refused on the wire."""
    with pytest.raises(FleetFileError, match="ambiguous above 10 g/L"):
        fleet_with({"tds": 90_000}, AT_301={"unit": "[ppm]"})
    lookup = build_lookup(fleet_with(AT_301={"unit": "mg/L"}))
    assert outcome(senml("ppm"), "skidhand/sedge-2/tf-skid-1/senml", lookup=lookup).refused == {"bad-unit": 1}
    assert outcome(senml("Pa"), "skidhand/sedge-2/tf-skid-1/senml", lookup=lookup).refused == {"bad-unit": 1}


@pytest.mark.parametrize("behind_s", [-3600, -61, 61, 18_000])
def test_a_clock_that_is_off_is_seen_after_two_minutes(behind_s):
    """Steadily behind or ahead (five hours: local time sent as UTC): in doubt from then on, until it is right."""
    watch, verdicts = ClockWatch(), []
    jitter = random.Random(1)
    for second in range(0, 400, 10):
        received = NOON_US + second * SECOND
        wander = round(jitter.uniform(-2, 2) * SECOND)
        verdicts.append(
            watch.jumped(
                "a", received, received - (behind_s * SECOND) - wander - (SECOND if behind_s > 0 else -SECOND) * 2
            )
        )
        assert not watch.jumped("b", received, received - SECOND)
    assert 11 <= verdicts.index(True) <= 14
    assert all(verdicts[verdicts.index(True) :])
    assert not watch.jumped("a", received + 10 * SECOND, received + 9 * SECOND)


@pytest.mark.parametrize("speed", [1.1, 2, 60, 10_000])
def test_history_that_is_sent_late_is_no_wrong_clock(speed):
    """A day's history, oldest first, at any speed that catches up; and with new samples between, at the very same."""
    watch = ClockWatch()
    for second in range(0, 3000, 10):
        received = NOON_US + second * SECOND
        assert not watch.jumped("a", received, NOON_US - round((86_400 - speed * second) * SECOND))
        assert not watch.jumped("b", received, received - 86_400 * SECOND)
        assert not watch.jumped("b", received, received)


def test_times_in_doubt_are_counted():
    """Ahead by more than a minute, and steadily behind: each under its own name, its values kept."""
    line = Line(own_time=False)
    line.send((120, 1.0), received_us=NOON_US)
    for second in range(0, 300, 10):
        line.send((second - 7200, 1.0), received_us=NOON_US + second * SECOND)
    assert line.doubts == {"future-time": 1, "clock-jump": 18}
    assert line.qualities.count(UNCERTAIN) == 19
    assert {value for _, value, _ in line.rows} == {1.0}


def test_every_doubt_has_a_meaning():
    """A doubt that nobody can look up helps nobody."""
    assert set(MEANING) == set(Doubt)
