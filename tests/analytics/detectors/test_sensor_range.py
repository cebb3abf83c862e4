"""Readings outside their range: those of an ill instrument, and those of a plant that has gone beyond it."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.detectors.sensor_range import PLUGIN
from analytics.frame import Flag
from tests.analytics.detectors import build, trains

VIEW = build.skid()
N, AT = 300, 150
T = np.arange(N)
DROP = ("filter", "dp")  # 0 to 200 kPa


def said(drop, cuts=(), **how):
    """What is said of the filter whose drop is given; minutes outside the range are flagged as cleaning does."""
    flags = np.where((drop > 202.5) | (drop < -2.5), int(Flag.RANGE), 0)
    return trains.said(PLUGIN, VIEW, "filter", {**trains.quiet(N), DROP: drop}, cuts, flags={DROP: flags}, **how)


@pytest.mark.parametrize(("before", "then"), [(40.0, 206.2), (40.0, -5.0), (5.0, -5.0), (195.0, 212.5), (195.0, -5.0)])
def test_what_jumps_out_or_goes_further_than_a_live_signal_is_the_instrument(before, then):
    """From anywhere to 20.5 mA at once; below 3.6 or to 21 mA from anywhere (limits of NAMUR NE 43): said."""
    [draft] = said(np.where(T >= AT, then, before))
    assert (draft.unit, draft.onset - build.MINUTE0, draft.minute - build.MINUTE0) == ("PDT-301", AT, AT + 14)


def test_a_drop_that_creeps_beyond_its_range_is_the_plant():
    """It rises for two hours to the end and is held at 20.5 mA: the bed is beyond it, the transmitter is well."""
    drop = np.minimum(100.0 + 100.0 * T / AT, 206.2)
    assert said(drop) == []
    assert said(drop, cuts=[AT - 1, AT + 5, AT + 100]) == []


def test_a_stop_between_does_not_make_it_ill():
    """Beyond its range, no drop while the skid stands, beyond it again: still the bed."""
    stopped = (T >= AT + 40) & (T < AT + 60)
    drop = np.where(stopped, 0.0, np.minimum(100.0 + 100.0 * T / AT, 206.2))
    settling = (T >= AT + 40) & (T < AT + 72)
    assert said(drop, running=~stopped, settling=settling) == []
