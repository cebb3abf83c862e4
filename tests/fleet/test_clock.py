"""What now is: the machine's time, or the highest time that a stream has announced."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from skidhand.clock import StreamClock, WallClock

NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)
HOUR = timedelta(hours=1)


def test_wall_time_is_aware_and_goes_on():
    """The machine's time has UTC as its zone and never goes back from one look to the next here."""
    clock = WallClock()
    first, second = clock.now(), clock.now()
    assert (clock.kind, first.tzinfo) == ("wall", UTC)
    assert first <= second


def test_a_stream_knows_no_time_before_it_is_told():
    """A stream that has announced nothing has no now, rather than a wrong one."""
    clock = StreamClock()
    assert (clock.kind, clock.now()) == ("stream", None)


def test_a_stream_never_goes_back():
    """Now is the highest announced time, in whatever order the announcements come."""
    clock = StreamClock()
    for moment in (NOON, NOON - HOUR, NOON + HOUR, NOON):
        clock.announce(moment)
    assert clock.now() == NOON + HOUR


def test_a_stream_may_ask_another():
    """What another process has heard counts as announced; when it knows less, ours stands."""
    heard = [None, NOON, NOON - HOUR]
    clock = StreamClock(lambda: heard.pop(0))
    assert [clock.now(), clock.now(), clock.now()] == [None, NOON, NOON]
