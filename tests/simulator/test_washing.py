"""Who washes, and when; and what a tank does that is given too much."""

import pytest

from simulator.plant.conditions import Conditions
from simulator.plant.washing import PERSON_AT, PERSON_MINUTES, SURE, WashControl
from simulator.plant.water import Brine, Stream
from simulator.plant.weir_tank import WeirTank
from simulator.streams import generator


def control(by):
    """A control with a terminal drop of 80 kPa."""
    return WashControl(by, 80.0, generator(1, "skid", "operator"))


def minutes_until_wash(washing, dp, limit=10_000):
    """Minutes at a steady drop until a wash starts, or None within the limit."""
    return next((minute for minute in range(1, limit) if washing.wants(dp, Conditions())), None)


def test_a_controller_washes_when_it_is_sure_that_the_drop_is_terminal():
    """At the terminal drop after a few minutes, below it not before the timer."""
    assert minutes_until_wash(control("controller"), 80.0) == SURE
    assert minutes_until_wash(control("controller"), 79.0) == pytest.approx(48.0 * 60, abs=1)


def test_a_single_high_reading_starts_no_wash():
    """The count of minutes above the trigger begins anew with each reading below it."""
    washing = control("controller")
    for _ in range(50):
        assert not washing.wants(90.0, Conditions())
        assert not washing.wants(90.0, Conditions())
        assert not washing.wants(10.0, Conditions())


def test_a_person_comes_a_little_earlier_and_takes_a_while():
    """A person goes just below the terminal drop and is there within the usual time; never by a timer."""
    waited = minutes_until_wash(control("person"), PERSON_AT * 80.0)
    assert PERSON_MINUTES[0] <= waited <= SURE + PERSON_MINUTES[1]
    assert minutes_until_wash(control("person"), 70.0) is None


def test_a_wash_that_is_asked_for_starts_at_once():
    """Whatever the drop, and the count starts anew."""
    washing = control("person")
    assert washing.wants(1.0, Conditions(wash=True))
    washing.begin()
    assert washing.since_wash == 0.0


def test_a_tank_that_is_given_too_much_runs_over():
    """At its rim the level stays and the excess leaves with its oil; below, nothing runs over."""
    water = Brine(90, 38)
    tank = WeirTank(area=6, height=2.4, oil_density=water.oil_density)
    feed = Stream(9.0, [1000 / 6] * 6)
    overflows = []
    for _ in range(180):
        _, over, _ = tank.step(1 / 60, feed, Stream(), 0.0, 25.0, 0.0, *water.at(25.0), 0.0, Conditions())
        overflows.append(over.flow)
    assert overflows[0] == 0.0
    assert overflows[-1] == pytest.approx(9.0, rel=0.01)
    assert tank.level == pytest.approx(2.4, abs=0.01)
    assert sum(over.oil) > 0.0


def test_the_pad_is_skimmed_down_to_the_weir():
    """Oil above the weir leaves within hours; what lies below it stays."""
    water = Brine(90, 38)
    tank = WeirTank(area=6, oil_density=water.oil_density)
    tank.pad *= 3
    for _ in range(600):
        tank.step(1 / 60, Stream(9.0), Stream(), 0.0, 25.0, 9.0, *water.at(25.0), 0.0, Conditions())
    assert tank.thickness == pytest.approx(tank.skim_weir, rel=0.01)
