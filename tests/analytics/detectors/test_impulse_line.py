"""A pressure behind a plugged impulse line: quiet while its partners are not, and up when the skid stands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analytics.detectors.impulse_line import PLUGIN
from analytics.detectors.sensor_noisy import PLUGIN as NOISY
from tests.analytics.detectors import build

UNITS = """
      - id: cyclone
        type: hydrocyclone
        roles: {inlet_flow: FT-201, inlet_pressure: PT-201, outlet_pressure: PT-202, reject_pressure: PT-203}
"""
VIEW = build.skid(UNITS)
HOURS = 30
T = np.arange(HOURS * 60)
PLUGS, STOPS, STARTS = 20 * 60, 25 * 60, 26 * 60
ROLES = {"inlet_flow": 20.0, "inlet_pressure": 400.0, "outlet_pressure": 200.0, "reject_pressure": 60.0}
PLUGGED = ("cyclone", "outlet_pressure")


def plant(*, scatter=0.3, others=1.0, left=0.9, height=1.0, again=(), cuts=()):
    """What is said of 30 h: from hour 20 on the outlet's pressure scatters ``scatter`` times as before, its partners
    ``others``; at ``height`` times its reading, and with ``left`` of it in the stop from hour 25 to 26 and in those of
    half an hour that begin in the minutes ``again``."""
    stopped, plugged = (T >= STOPS) & (T < STARTS), T >= PLUGS
    for at in again:
        stopped[at : at + 30] = True
    values, stds = {}, {}
    for role, level in ROLES.items():
        key = ("cyclone", role)
        one = key == PLUGGED
        values[key] = level * np.where(stopped, left if one else 0.01, 1.0) * np.where(plugged & one, height, 1.0)
        stds[key] = np.where(plugged, scatter if one else others, 1.0)
    data = build.block(
        VIEW, values, stds=stds, running=~stopped, settling=(T >= STOPS) & (T < STARTS + 12),
    )  # fmt: skip
    return build.run(PLUGIN, VIEW, "cyclone", data, cuts)[1]


def test_quiet_for_two_hours_is_said_and_a_stop_proves_it():
    """A third of its usual scatter from hour 20: said at 22 h, dated to 20 h; surer once it stood up in the stop."""
    first, second = plant()
    assert (first.unit, first.cause, first.severity, first.onset - build.MINUTE0) == ("PT-202", "plugged", "low", PLUGS)
    assert first.minute - build.MINUTE0 == PLUGS + 119
    assert (second.run_key, second.minute - build.MINUTE0) == (first.run_key, STOPS - 1 + 10)
    assert second.confidence > first.confidence


def test_a_stop_in_the_quiet_hours_moves_the_said_time_not_the_date():
    """The skid stands from 20 h 30 to 21 h, the line holding its pressure: dated to 20 h all the same."""
    first, *_ = plant(again=[PLUGS + 30])
    assert (first.onset, first.minute) == (build.MINUTE0 + PLUGS, build.MINUTE0 + PLUGS + 149)


def test_it_is_proven_once_not_at_every_stop():
    """Two more stops in which it stands up: nothing more is said."""
    assert plant(again=[27 * 60, 29 * 60]) == plant()


@pytest.mark.parametrize("period", [20, 60])
def test_what_comes_once_a_minute_is_not_called_watched(period):
    """Three samples a minute make a scatter; where the fleet file promises fewer, the pressures are not watched."""
    unit = VIEW.by_id["cyclone"]
    slow = {role: one.model_copy(update={"period": period}) for role, one in unit.instruments.items()}
    assert bool(PLUGIN.needs(replace(unit, instruments=slow), VIEW).watched) == (period == 20)


@pytest.mark.parametrize("detector", [PLUGIN, NOISY], ids=lambda one: one.name)
def test_an_instrument_that_the_fleet_file_makes_slow_meanwhile_ends_nothing(detector):
    """In the middle of a half hour the file says that one comes once a minute: the rest is watched on."""
    unit, data = VIEW.by_id["cyclone"], build.block(VIEW, {PLUGGED: np.full(60, 200.0)})
    slow = {**unit.instruments, "inlet_flow": unit.instruments["inlet_flow"].model_copy(update={"period": 60})}
    state, _ = detector.step(unit, VIEW, data.cut(0, 10), detector.start(unit, VIEW))
    assert state.rest
    after, _ = detector.step(replace(unit, instruments=slow), VIEW, data.cut(10, 20), state)
    assert [row[0] - build.MINUTE0 for row in after.rest] == list(range(10, 20))


def test_a_reading_that_falls_at_a_stop_is_no_plugged_line():
    """Somebody set its damping higher: the stop ends what was said, and it is not said again."""
    drafts = plant(left=0.01)
    assert [d.ended is None for d in drafts] == [True, False]
    assert drafts[1].minute - build.MINUTE0 == STOPS - 1 + 10


@pytest.mark.parametrize("case", [{"others": 0.3}, {"scatter": 0.6}, {"scatter": 0.0}, {"height": 0.5}])
def test_what_else_makes_a_reading_quiet_is_let_be(case):
    """A quiet plant, a little less scatter, a reading that stands still (frozen), one at half its height: nothing."""
    assert plant(**case) == []


def test_a_cut_changes_nothing():
    """The same drafts, cut in the middle of a part, of the quiet hours and of the stop."""
    assert plant(cuts=[PLUGS + 7, PLUGS + 100, STOPS + 3, STOPS + 30]) == plant()
