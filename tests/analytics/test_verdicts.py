"""Calls against verdicts: shares by hand, intervals by a published table, verdicts from a real logbook."""

from __future__ import annotations

from datetime import timedelta
from uuid import uuid4

import pytest

from alerts.channels.recording import RecordingChannel
from alerts.service import AlertService
from analytics.verdicts import Call, calls_of, tally, wilson
from skidhand.clock import StreamClock
from skidhand.logbook import Logbook
from skidhand.model.prompt import Answer
from tests.alerts.helpers import NOON, VERSION, Analyser, dp_rise, finding, revised

DAY = timedelta(days=1)


def call(kind="split-drift", cause=None, verdict=None, *, told=True, hours=0.0):
    """A call that many hours after noon."""
    return Call("123", NOON + timedelta(hours=hours), "tf-skid-1", "cyclone", kind, cause, verdict, None, "", told)


@pytest.mark.parametrize(
    ("right", "of", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_the_interval_is_the_published_one(right, of, low, high):
    """R. G. Newcombe, Statistics in Medicine 17 (1998) 857, table I, method 3: four shares and their limits."""
    assert wilson(right, of) == (pytest.approx(low, abs=5e-5), pytest.approx(high, abs=5e-5))


def test_unjudged_calls_change_no_share():
    """Precision is of the judged calls alone; kinds and causes are told apart, and their calls add up."""
    calls = [
        call(cause="reject-plugging", verdict="done"),
        call(cause="reject-plugging", verdict="done"),
        call(cause="reject-plugging", verdict="false"),
        call(cause="liner-wear", verdict="false"),
        call("dp-rise"),
    ]
    result = tally(calls, NOON, NOON + DAY)
    drift, rise = result.kinds[1], result.kinds[0]
    assert (drift.kind, drift.calls, drift.done, drift.false, drift.precision) == ("split-drift", 4, 2, 2, 0.5)
    assert (rise.calls, rise.unjudged, rise.precision, rise.low, rise.high) == (1, 1, None, None, None)
    assert {row.cause: row.precision for row in result.causes if row.kind == "split-drift"} == {
        "reject-plugging": pytest.approx(2 / 3), "liner-wear": 0.0,
    }  # fmt: skip
    assert sum(row.calls for row in result.causes) == sum(row.calls for row in result.kinds) == result.total.calls == 5


def test_calls_per_shift_are_those_that_were_sent():
    """Shifts are of 12 hours; what stayed on the desk called nobody; the end of the span is not in it."""
    calls = [call(hours=1), call(hours=20), call(hours=3, told=False), call(hours=24)]
    result = tally(calls, NOON, NOON + DAY)
    assert (result.total.calls, result.told, result.calls_per_shift) == (3, 2, 1.0)
    with pytest.raises(ValueError, match="holds nothing"):
        tally(calls, NOON, NOON)


@pytest.fixture
def book(tmp_path):
    """A logbook in stream time with a fleet in force."""
    with Logbook(str(tmp_path / "l.db")) as book:
        book.guard_clock("stream")
        book.fleets.apply(VERSION, effective=NOON - timedelta(days=60), who="test")
        yield book


def turn(book, minutes):
    """Alerts works once, that many minutes after noon."""
    book.clock.announce(NOON + timedelta(minutes=minutes))
    clock = StreamClock(book.clock.announced)
    AlertService(book, clock=clock, channels=[RecordingChannel()], instance="test").run_once()


def say(book, code, verb, minutes):
    """Robin answers, and alerts judges it."""
    book.answers.add(
        Answer(id=uuid4(), at=NOON + timedelta(minutes=minutes), who="robin", code=code, verb=verb, channel="test")
    )
    turn(book, minutes)


def test_the_last_accepted_verdict_counts(book):
    """``mine`` is no verdict, a later ``false`` replaces ``done``, and a call that nobody judged has none."""
    Analyser(book).commit(finding(cause="reject-plugging"), dp_rise(run="2"))
    turn(book, 10)
    codes = {call.kind: call.code for call in calls_of(book)}
    say(book, codes["split-drift"], "done", 20)
    say(book, codes["split-drift"], "false", 30)
    say(book, codes["dp-rise"], "mine", 40)
    found = {call.kind: (call.cause, call.verdict, call.who) for call in calls_of(book)}
    assert found == {"split-drift": ("reject-plugging", "false", "robin"), "dp-rise": ("fouling", None, None)}


def test_a_verdict_outlives_the_return_of_its_call(book):
    """A prompt that comes back begins without a verdict; what was said of the call before still counts."""
    first = finding(cause="reject-plugging")
    Analyser(book).commit(first)
    turn(book, 10)
    (made,) = calls_of(book)
    say(book, made.code, "done", 20)
    over = revised(first, state="closed", ended=NOON + timedelta(minutes=30))
    Analyser(book).commit(over)
    turn(book, 40)
    Analyser(book).commit(revised(over, state="open", ended=None))
    turn(book, 50)
    (prompt,) = book.prompts.all()
    assert (prompt.state != "cleared", prompt.verdict) == (True, None)
    (judged,) = calls_of(book)
    assert judged.verdict == "done"
    assert calls_of(book, "tf-skid-2") == []
