"""Truth of treated water off its specification, from the noise-free outlet."""

from datetime import timedelta

import numpy as np
import pytest

from simulator import truth_of
from simulator.spec_truth import _moving, _slots, _spans
from tests.simulator.story import SEED, States, scenario


def test_torn_droplets_put_the_water_off_specification(tmp_path):
    """It begins in the five minutes in which the hour's mean of the noise-free outlet first passes 20 mg/L."""
    story = [{"event": "upstream-shear", "at": 3, "hours": 4, "severity": 2}]
    played = scenario(tmp_path, story, hours=10, plant={"run_hours": 30, "oil": 900})
    events = truth_of(played, skids=1, seed=SEED).events
    off = next(e for e in events if e.kind == "off-spec")
    oil = States(played)["outlet.oil"]
    hourly = np.convolve(oil, np.ones(60) / 60)[: len(oil)]
    hourly[:30] = 0.0
    first = int(np.argmax(hourly > 20.0)) + 1
    assert off.onset - played.start == pytest.approx(timedelta(minutes=first), abs=timedelta(minutes=5))
    assert off.required
    assert off.onset < off.knowable < off.too_late
    risk = next(e for e in events if e.kind == "spec-at-risk")
    assert risk.onset < off.onset
    assert not risk.required


def test_a_quiet_skid_is_on_specification(tmp_path):
    """Nothing is said of a bed that does its work."""
    events = truth_of(scenario(tmp_path, [], hours=6), skids=1, seed=SEED).events
    assert not [e for e in events if e.kind in ("off-spec", "spec-at-risk")]


def test_means_leave_out_what_did_not_leave():
    """Half of the minutes flowed at 30, the others read 0: the mean is 30; a day counts by its own mean."""
    values, leaves = np.tile([30.0, 0.0], 60), np.tile([True, False], 60)
    window, read = _moving(*_slots(values, leaves, 0, 5)[:2], 12)
    assert window[-1] == pytest.approx(30.0)
    assert read[-1] == pytest.approx(30, abs=1)
    two = np.concatenate([np.full(1440, 10.0), np.full(1440, 40.0)])
    flowed = np.concatenate([np.ones(1440, dtype=bool), np.arange(1440) < 100])
    assert _moving(*_slots(two, flowed, 0, 1440)[:2], 2)[0][-1] == pytest.approx(25.0)


def test_spans_close_together_are_one():
    """A short return within is no end; a long one is."""
    on = np.array([0, 1, 1, 0, 1, 0, 0, 0, 0, 1], dtype=bool)
    assert _spans(on, ~on, merge=3) == [(1, 5), (9, None)]
