"""Who washes, and when; and what a tank does that is given too much."""

import numpy as np
import pytest

from simulator.plant.washing import PERSON_AT, PERSON_MINUTES, SURE, TIMER_HOURS, WashControl
from simulator.plant.water import Brine
from simulator.plant.weir_tank import WeirTank
from simulator.streams import generator


def control(by):
    """A control with a terminal drop of 80 kPa."""
    return WashControl(by, 80.0, generator(1, "skid", "operator"))


def minutes_until_wash(washing, dp, limit=10_000):
    """Minutes at a steady drop until a wash starts, or None within the limit."""
    return next((minute for minute in range(1, limit) if washing.decide(dp, asked=False)), None)


def test_a_controller_washes_when_it_is_sure_that_the_drop_is_terminal():
    """At the terminal drop after a few minutes, below it not before the timer."""
    assert minutes_until_wash(control("controller"), 80.0) == SURE
    assert minutes_until_wash(control("controller"), 79.0) == pytest.approx(TIMER_HOURS * 60, abs=1)


def test_a_single_high_reading_starts_no_wash():
    """The count of minutes above the trigger begins anew with each reading below it."""
    washing = control("controller")
    for _ in range(50):
        assert not washing.decide(90.0, asked=False)
        assert not washing.decide(90.0, asked=False)
        assert not washing.decide(10.0, asked=False)


def test_a_person_comes_a_little_earlier_and_takes_a_while():
    """A person goes just below the terminal drop and is there within the usual time; never by a timer."""
    waited = minutes_until_wash(control("person"), PERSON_AT * 80.0)
    assert PERSON_MINUTES[0] <= waited <= SURE + PERSON_MINUTES[1]
    assert minutes_until_wash(control("person"), 70.0) is None


def test_a_wash_that_is_asked_for_starts_at_once():
    """Whatever the drop, and the count starts anew."""
    washing = control("person")
    assert washing.decide(1.0, asked=True)
    assert washing.since_wash == 0.0


def test_a_tank_that_is_given_too_much_runs_over():
    """At its rim the level stays and the excess leaves with its oil; below, nothing runs over."""
    water = Brine(90, 38)
    tank = WeirTank(area=6, height=2.4, oil_density=water.oil_density)
    oil = 9 * 1000 * np.full(6, 1 / 6)
    overflows = []
    for _ in range(180):
        tank.step(1 / 60, 9, oil, 0.0, np.zeros(6), 25.0, 0.0, *water.at(25.0))
        overflows.append(tank.overflow)
    assert overflows[0] == 0.0
    assert overflows[-1] == pytest.approx(9.0, rel=0.01)
    assert tank.level == pytest.approx(2.4, abs=0.01)
    assert tank.lost_oil > 0.0


def test_the_pad_is_skimmed_down_to_the_weir():
    """Oil above the weir leaves within hours; what lies below it stays."""
    water = Brine(90, 38)
    tank = WeirTank(area=6, oil_density=water.oil_density)
    tank.pad *= 3
    for _ in range(600):
        tank.step(1 / 60, 9, np.zeros(6), 0.0, np.zeros(6), 25.0, 9.0, *water.at(25.0))
    assert tank.thickness == pytest.approx(tank.skim_weir, rel=0.01)
