"""A skid is an asset that moves from pad to pad, on the days of each pad's own time zone."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from skidhand.errors import FleetFileError
from skidhand.fleet import parse_fleet
from tests.fleet.sample import SAMPLE, changed

SECOND = timedelta(seconds=1)


@pytest.mark.parametrize(
    ("moment", "site"),
    [
        # Denver keeps UTC-7 on both days: daylight saving time began on 2026-03-08 at 02:00, after midnight.
        (datetime(2026, 1, 15, 7, tzinfo=UTC) - SECOND, None),
        (datetime(2026, 1, 15, 7, tzinfo=UTC), "heron-1"),
        (datetime(2026, 3, 8, 7, tzinfo=UTC) - SECOND, "heron-1"),
        (datetime(2026, 3, 8, 7, tzinfo=UTC), None),
        (datetime(2026, 3, 20, tzinfo=UTC) - SECOND, None),
        (datetime(2026, 3, 20, tzinfo=UTC), "heron-2"),
        (datetime(2031, 1, 1, tzinfo=UTC), "heron-2"),
    ],
)
def test_where_a_skid_stood(moment, site):
    """A placement begins with its first day at the pad and ends as its last day begins; between two is none."""
    fleet = parse_fleet(SAMPLE).fleet
    placement = fleet.placement_at(fleet.skid("hd-1"), moment)
    assert (placement.site if placement else None) == site


def test_summer_time_counts():
    """A day in summer begins at UTC-6 in Denver."""
    text, _ = changed("from: 2026-01-15, to: 2026-03-08", "from: 2026-01-15, to: 2026-03-09")
    fleet = parse_fleet(text).fleet
    _, end = fleet.placement_span(fleet.skid("hd-1").placements[0])
    assert end == datetime(2026, 3, 9, 6, tzinfo=UTC)


def test_a_placement_may_begin_at_an_hour():
    """A time of day with its offset is taken as it stands."""
    fleet = parse_fleet(SAMPLE).fleet
    start, end = fleet.placement_span(fleet.skid("hd-2").placements[0])
    assert (start, end) == (datetime(2026, 2, 1, 6, tzinfo=UTC), None)


@pytest.mark.parametrize("until", ["to: 2026-03-21", None])
def test_nobody_stands_in_two_places(until):
    """Placements that overlap, or an open one that another follows, are refused at the later one's line."""
    old = ", to: 2026-03-08"
    text, _ = changed(old, f", {until}" if until else "")
    line = SAMPLE[: SAMPLE.index("- {site: heron-2, from: 2026-03-20}")].count("\n") + 1
    with pytest.raises(FleetFileError) as caught:
        parse_fleet(text, "f")
    assert str(caught.value).startswith(f"f:{line}: ")
    assert "two places at 2026-03-20 00:00Z" in str(caught.value)


def test_moving_on_the_same_day():
    """Leaving one pad and arriving at the next at one instant is no overlap."""
    text, _ = changed("to: 2026-03-08", "to: 2026-03-20T00:00:00Z")
    fleet = parse_fleet(text).fleet
    moment = datetime(2026, 3, 20, tzinfo=UTC)
    skid = fleet.skid("hd-1")
    assert fleet.placement_at(skid, moment).site == "heron-2"
    assert fleet.placement_at(skid, moment - SECOND).site == "heron-1"


def test_ids_that_are_not_here():
    """An unknown skid is None; an unknown site is a KeyError that names it."""
    fleet = parse_fleet(SAMPLE).fleet
    assert fleet.skid("hd-9") is None
    with pytest.raises(KeyError, match="heron-9"):
        fleet.site("heron-9")
