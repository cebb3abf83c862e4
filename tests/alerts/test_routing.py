"""Where findings go, when phones may ring, and whose."""

from __future__ import annotations

import random
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts import codes, routing
from skidhand.fleet import parse_fleet
from skidhand.fleet.duty import on_duty
from skidhand.model.kinds import KINDS
from tests.alerts.helpers import FLEET, MORNING, NIGHT, NOON, VERSION, dp_rise, finding

CHICAGO = ZoneInfo("America/Chicago")
YEAR = datetime(2026, 1, 1, tzinfo=UTC)
QUIET = (time(21, 0), time(6, 0))
DESK_BY_DESIGN = (
    "unusual-pattern", "sensor-noisy", "clock-jump", "scale-change", "volumes-disagree", "spec-at-risk",
)  # fmt: skip


def test_each_kind_has_its_default_route():
    """The kind's own route holds unless the fleet file speaks; what only an engineer can use goes to the desk."""
    assert {kind: routing.route_of(finding(kind), VERSION.fleet) for kind in KINDS} == {
        kind: info.route for kind, info in KINDS.items()
    }
    assert {KINDS[kind].route for kind in DESK_BY_DESIGN} == {"desk"}


def test_the_fleet_file_overrides_a_route():
    """``roster.routes`` names another route for a kind."""
    fleet = parse_fleet(FLEET + "  routes: {sensor-noisy: phone}\n").fleet
    assert routing.route_of(finding("sensor-noisy", "PT-201"), fleet) == "phone"


def test_a_controller_washed_filter_calls_nobody_for_a_rise():
    """Its forecast stands on the board; the wash that is missed, cycles or is stuck calls."""
    fleet = parse_fleet(FLEET + "  routes: {dp-rise: phone}\n").fleet
    assert routing.route_of(dp_rise(), fleet) == "phone"
    assert routing.route_of(dp_rise(skid="tf-skid-2"), fleet) == "desk"
    for kind in ("backwash-missed", "backwash-stuck"):
        assert routing.route_of(finding(kind, "filter-a", skid="tf-skid-2"), fleet) == "phone"


@pytest.mark.parametrize(
    ("now", "route", "priority", "expected"),
    [
        (NIGHT, "phone", "high", NIGHT),
        (NIGHT, "phone", "medium", NIGHT),
        (NIGHT, "phone", "low", MORNING),
        (NIGHT, "phone-by-day", "high", MORNING),
        (NOON, "phone-by-day", "low", NOON),
        (NOON, "desk", "high", None),
    ],
)
def test_what_can_wait_waits_for_the_day(now, route, priority, expected):
    """At 03:00 only a phone route of medium or high priority rings; the desk is never sent to."""
    assert routing.send_from(now, route, priority, VERSION.fleet, "tansy-4") == expected


@pytest.mark.parametrize(
    ("local", "end"),
    [
        ("2026-03-02T20:59", "2026-03-02T20:59"),
        ("2026-03-02T21:00", "2026-03-03T06:00"),
        ("2026-03-03T05:59", "2026-03-03T06:00"),
        ("2026-03-03T06:00", "2026-03-03T06:00"),
        ("2026-03-07T23:00", "2026-03-08T06:00"),  # the night that has no 02:30
        ("2026-10-31T23:00", "2026-11-01T06:00"),  # the night that has 01:30 twice
    ],
)
def test_quiet_hours_end_by_the_sites_clock(local, end):
    """From 21:00 up to 06:00 of the site, also in the nights in which its clocks change."""
    now = datetime.fromisoformat(local).replace(tzinfo=CHICAGO).astimezone(UTC)
    expected = datetime.fromisoformat(end).replace(tzinfo=CHICAGO).astimezone(UTC)
    assert routing.after_quiet(now, QUIET, CHICAGO) == expected


@given(st.integers(0, 365 * 24 * 60).map(lambda minute: YEAR + timedelta(minutes=minute)), st.times(), st.times())
def test_the_end_of_quiet_hours_is_near_and_outside_them(now, start, end):
    """Never earlier than now, never more than 25 h later (a long day), and a moment after it needs no wait."""
    start, end = start.replace(second=0, microsecond=0), end.replace(second=0, microsecond=0)
    free = routing.after_quiet(now, (start, end), CHICAGO)
    assert 0 <= (free - now).total_seconds() <= 25 * 3600
    if start == end:
        assert free == now


def test_the_first_of_the_first_duty_that_covers_the_site():
    """Duties are read in order; one without sites covers all of them."""
    assert [p.id for p in on_duty(VERSION.fleet, "tansy-4", NOON, "low")] == ["robin", "sasha"]
    assert [p.id for p in on_duty(VERSION.fleet, "sorrel-2", NOON, "low")] == ["sasha"]
    nobody = parse_fleet(FLEET[: FLEET.index("  duties:")]).fleet
    assert on_duty(nobody, "tansy-4", NOON, "high") == ()


def test_a_person_is_known_by_id_number_or_address():
    """An answer may come with any of them."""
    for who in ("sasha", "+15550100002", "sasha@tansyflat.example"):
        assert routing.person_of(VERSION.fleet, who).id == "sasha"
    assert routing.person_of(VERSION.fleet, "nobody") is None


def test_codes_are_short_unique_and_in_no_order():
    """Four digits while fewer than half of them are taken, then five; never one that is taken."""
    rng = random.Random(1)
    taken = codes.Taken()
    for _ in range(4600):
        code = codes.mint(taken, rng)
        assert code not in taken
        taken.add(code)
    lengths = [sum(len(code) == n for code in taken) for n in (4, 5)]
    assert lengths == [4500, 100]
    first = [codes.mint(codes.Taken(), random.Random(seed)) for seed in range(50)]
    assert first != sorted(first)
    assert len(set(first)) > 45


def test_no_code_left_is_said():
    """When every code is in use, that is an error, not an endless search."""
    taken = codes.Taken(str(n) for n in range(1000, 1_000_000))
    with pytest.raises(ValueError, match="no answer code is free"):
        codes.mint(taken, random.Random(1))
