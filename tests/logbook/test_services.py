"""How services know of each other: heartbeats, leases, fleet versions."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from skidhand.clock import WallClock
from skidhand.fleet import parse_fleet
from skidhand.model.heartbeat import Heartbeat

NOON = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)
FLEET = """
version: 1
fleet: Tansy Flat
sites: [{id: tansy-4, name: Tansy 4 pad, timezone: America/Chicago}]
"""


def beat(service="ingest", instance="a", **changes):
    """A heartbeat."""
    return Heartbeat(service=service, instance=instance, at=NOON, version="1", **changes)


def test_a_heartbeat_replaces_its_own_row_only(logbook):
    """One row per service and instance, in their order."""
    second = beat(instance="b", refusals={"nan": 3}, last_seen={"tf-skid-1": NOON})
    for one in (second, beat(), beat("alerts"), beat(depth=7)):
        logbook.heartbeats.beat(one)
    assert logbook.heartbeats.all() == [beat("alerts"), beat(depth=7), second]


def test_a_lease_has_one_holder(logbook):
    """The holder renews; others wait until it is given back."""
    leases = logbook.leases
    assert leases.take("alerts", "one")
    assert leases.take("alerts", "one")
    assert not leases.take("alerts", "two")
    leases.release("alerts", "two")
    assert not leases.take("alerts", "two")
    leases.release("alerts", "one")
    assert leases.take("alerts", "two")


def test_a_lease_that_ran_out_goes_to_who_asks(logbook):
    """A dead holder is waited for only as long as its lease."""
    assert logbook.leases.take("alerts", "dead", seconds=-1)
    assert logbook.leases.take("alerts", "alive")


def test_many_leases_at_once(logbook):
    """Those that another holds are left out, and nothing else is lost with them."""
    assert logbook.leases.take("b", "other")
    assert logbook.leases.take_all(["a", "b", "c"], "mine") == {"a", "c"}
    assert not logbook.leases.take("c", "other")


def test_fleet_versions_stand_in_their_order(logbook):
    """The newest is current; the same file twice is one version; a version that returns is a new row."""
    one, two = parse_fleet(FLEET), parse_fleet(FLEET + "owner: Tansy Flat Water\n")
    fleets = logbook.fleets
    assert (fleets.current(), fleets.digest()) == (None, None)
    before = WallClock().now()
    assert fleets.apply(one, effective=NOON, who="robin")
    assert not fleets.apply(one, effective=NOON + timedelta(days=1), who="robin")
    assert fleets.apply(two, effective=NOON + timedelta(days=1), who="sasha")
    assert fleets.digest() == two.digest
    assert fleets.apply(one, effective=NOON + timedelta(days=2), who="sasha")
    assert [(at, version.digest) for at, version in fleets.versions()] == [
        (NOON, one.digest),
        (NOON + timedelta(days=1), two.digest),
        (NOON + timedelta(days=2), one.digest),
    ]
    assert fleets.current().fleet == one.fleet
    assert WallClock().now() >= before
