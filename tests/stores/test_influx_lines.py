"""How samples are put into line protocol and intervals, without a server."""

from __future__ import annotations

import itertools
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from skidhand.stores.influx_lines import (
    GAP_US,
    UNLANDED,
    Part,
    Row,
    any_of,
    intervals_of,
    ledger_line,
    merged,
    parse_covers,
    quoted,
    rows_of,
    sample_head,
    sample_line,
    unquoted,
)

TIMES = st.lists(st.integers(-(10**15), 10**15) | st.integers(0, 20 * GAP_US), max_size=30)


@given(st.text())
def test_any_name_survives_in_plain_letters(name):
    """Whatever the name, it is written in characters that no syntax of the engine knows, and comes back."""
    assert re.fullmatch(r"[A-Za-z0-9_.~/%-]+", quoted(name))
    assert unquoted(quoted(name)) == name


@given(st.text(), st.text())
def test_two_names_are_never_one(one, other):
    """Different names are written differently."""
    assert (quoted(one) == quoted(other)) == (one == other)


def test_usual_ids_stay_readable():
    """An id as the fleet file gives it stands unchanged in the database; an empty one has a sign of its own."""
    assert quoted("tf-skid-1/PDT-301") == "tf-skid-1/PDT-301"
    assert [quoted(""), quoted("%"), quoted("a b,c=d")] == ["%", "%25", "a%20b%2Cc%3Dd"]


@pytest.mark.parametrize(
    ("value", "reused", "fields"),
    [
        (1.5, False, "value=1.5"),
        (0.0, False, "value=0.0"),
        (1.5, True, 'value=1.5,special=""'),
        (None, False, 'special="null"'),
        (float("inf"), False, 'special="inf"'),
        (float("nan"), True, 'special="nan"'),
        (-0.0, False, 'special="-0.0"'),
        (5e-324, False, "value=5e-324"),
    ],
)
def test_a_line_says_what_the_engine_cannot_hold(value, reused, fields):
    """Null, NaN, infinities and −0.0 stand in ``special``; a point that may exist has every field replaced."""
    line = sample_line(sample_head("a/x", "w", 0), Row("a/x", -7, value, 0x80000000, 8), 3, reused=reused)
    expected = f"skidhand_samples,series=a/x,slot=0,writer=w {fields},quality=2147483648i,received=8i,batch=3i -7000"
    assert line == expected


@given(TIMES)
def test_intervals_hold_every_time_and_no_wide_gap(times):
    """Every time lies in an interval whose ends are times; intervals lie more than the gap apart."""
    intervals = intervals_of(np.array(times, dtype=np.int64))
    assert all(any(first <= time <= last for first, last in intervals) for time in times)
    assert {end for interval in intervals for end in interval} <= set(times)
    assert all(after[0] - before[1] > GAP_US for before, after in itertools.pairwise(intervals))


@given(st.lists(TIMES, max_size=4))
def test_merged_intervals_hold_what_their_parts_held(batches):
    """Merging the intervals of several batches leaves out no time and keeps them in order, apart."""
    parts = [interval for times in batches for interval in intervals_of(np.array(times, dtype=np.int64))]
    whole = merged(parts)
    assert all(any(a <= first and last <= b for a, b in whole) for first, last in parts)
    assert all(after[0] - before[1] > GAP_US for before, after in itertools.pairwise(whole))


def test_the_ledger_line_is_read_back():
    """Intervals survive as text; the point's time is the batch's number."""
    line = ledger_line("it's", 12, "d", [(-5, 7), (9, 9)])
    assert line == 'skidhand_ledger,writer=it%27s digest="d",covers="-5,7 9,9" 12000'
    assert parse_covers("-5,7 9,9") == [(-5, 7), (9, 9)]
    assert parse_covers("") == []


def test_many_series_are_asked_for_in_groups():
    """Each name is asked for once, in statements of bounded length; none at all asks nothing."""
    names = [f"a/{k}" for k in range(450)] * 2
    assert [text.count("series") for text in any_of(names)] == [200, 200, 50]
    assert any_of([]) == []


@pytest.mark.parametrize("missing", [3, 4, 5])
def test_a_point_that_is_half_there_has_not_landed(missing):
    """The engine may show a point while its fields are being written: it is of no landed batch, its neighbour is."""
    whole = [1_000_000, 1.5, None, 0, 2_000, 7]
    half = [None if place == missing else field for place, field in enumerate([2_000_000, *whole[1:]])]
    part = Part(0, {"series": "a/x", "writer": "w", "slot": "0"}, [], [whole, half])
    assert rows_of(part)["batch"].to_pylist() == [7, UNLANDED]
