"""Stamps that stand away from their receipt: clocks, and links that catch up."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.detectors.clock_jump import PLUGIN
from analytics.grid import Rows, lag_of
from tests.analytics.detectors import build

N, AT = 240, 120
UNITS = """
      - {id: skid, type: skid, roles: {}}
      - {id: cyclone, type: hydrocyclone, roles: {inlet_flow: FT-201}}
"""
VIEW = build.skid(UNITS)


def said(lag):
    """Drafts of a skid whose samples came so many minutes after their stamps."""
    flow = {("cyclone", "inlet_flow"): np.full(len(lag), 20.0)}
    return build.run(PLUGIN, VIEW, "skid", build.block(VIEW, flow, lag=lag), (60, 125, 131))[1]


def test_an_hour_ahead_is_told_and_ends_when_the_clock_is_right():
    """No stamp for an hour, then two hours ahead, then on time: one finding, dated by the receipt."""
    lag = np.zeros(N)
    lag[AT - 60 : AT], lag[AT : AT + 90] = np.nan, -60.0
    opened, ended = said(lag)
    assert opened.onset - build.MINUTE0 == AT - 60
    assert opened.minute - build.MINUTE0 == AT + 9
    assert opened.evidence.numbers[0].value == 60.0
    assert ended.ended - build.MINUTE0 == AT + 90


def test_a_clock_that_was_set_back_is_told():
    """Twenty minutes behind, steadily."""
    lag = np.where(np.arange(N) >= AT, 20.0, 0.0)
    assert [d.evidence.numbers[0].value for d in said(lag)] == [-20.0]


@pytest.mark.parametrize("speed", [1.2, 4.0, 120.0])
def test_a_link_that_catches_up_is_no_clock(speed):
    """What was held back for two hours comes faster than it was taken: ever nearer to its stamps."""
    held = np.arange(120.0)
    lag = np.zeros(N)
    lag[60:180] = np.maximum(120.0 + held / speed - held, 0.0)
    lag[np.abs(lag) < 5.0] = 0.0
    assert said(lag) == []


def test_the_lag_of_a_minute_is_what_nearly_all_of_its_samples_say():
    """All an hour ahead: -60; one late sample in six: on time; no sample: not known."""
    minute = np.repeat([0, 1], 6)
    heard = minute + np.array([-60] * 6 + [0, 0, 0, 0, 0, 30])
    rows = Rows(np.zeros(12, int), minute, heard, np.ones(12), np.zeros(12, bool), np.zeros(12, bool))
    lag = lag_of(rows, 0, 3)
    assert lag[:2].tolist() == [-60.0, 0.0]
    assert np.isnan(lag[2])
