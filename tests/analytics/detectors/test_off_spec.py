"""A specification is judged on its own basis and on no other."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.detectors.off_spec import PLUGIN
from skidhand.fleet import parse_fleet, skid_view
from tests.analytics.detectors import build

DAY = 1440


def said(basis, values):
    """(kind, minutes from the start at which it was said, ended?) of an outlet whose oil limit is 15 mg/L."""
    text = f"""
version: 1
fleet: Tansy Flat reuse
sites: [{{id: tansy-4, name: Tansy 4 pad, timezone: UTC}}]
skids:
  - id: sk-1
    name: Skid 1
    placements: [{{site: tansy-4, from: 2026-01-01}}]
    instruments: {{AT-1: {{unit: mg/L, range: [0, 200]}}}}
    units: [{{id: outlet, type: outlet, roles: {{oil: AT-1}}}}]
    spec: {{oil: {{limit: 15, unit: mg/L, basis: {basis}}}}}
"""
    skid = skid_view(parse_fleet(text).fleet.skid("sk-1"))
    _, drafts = build.run(PLUGIN, skid, "outlet", build.block(skid, {("outlet", "oil"): values}))
    return [(d.kind, d.minute - build.MINUTE0, d.ended is not None) for d in drafts]


def peak(minutes, height, *, length=2 * DAY):
    """5 mg/L, and from noon of the first day on ``height`` for so many minutes."""
    values = np.full(length, 5.0)
    values[720 : 720 + minutes] = height
    return values


def test_a_peak_of_minutes_is_off_no_mean_of_an_hour():
    """20 mg/L for 20 minutes make 10 mg/L of the hour: nothing is off; for 80 minutes they do, once 40 are in it."""
    assert [s for s in said("1h", peak(20, 20.0)) if s[0] == "off-spec"] == []
    off = [s for s in said("1h", peak(80, 20.0)) if s[0] == "off-spec"]
    assert [(kind, ended) for kind, _, ended in off] == [("off-spec", False), ("off-spec", True)]
    assert 720 + 40 <= off[0][1] <= 720 + 55


def test_an_hour_off_is_no_day_off():
    """What is off on a basis of one hour is not off on one of a day, whose mean it moves from 5 to 5.8 mg/L."""
    assert "off-spec" not in {kind for kind, _, _ in said("24h", peak(80, 20.0))}
    assert "off-spec" in {kind for kind, _, _ in said("24h", peak(1300, 25.0))}


@pytest.mark.parametrize("height", [20.0, 150.0])
def test_an_analyser_never_says_a_grab_sample_is_off(height):
    """A limit on grab samples is a laboratory's to judge: the analyser tells of risk only, however high it reads."""
    kinds = {kind for kind, _, _ in said("grab", peak(300, height))}
    assert kinds == {"spec-at-risk"}


def test_a_month_is_a_mean_of_daily_means():
    """Three days of 100 mg/L among 27 of 5 make 14.5, not off; four make 17.7, off at the end of the fourth."""

    def month(bad):
        values = np.full(36 * DAY, 5.0)
        values[30 * DAY : (30 + bad) * DAY] = 100.0
        return [s for s in said("30d", values) if s[0] == "off-spec"]

    assert month(3) == []
    assert month(4)[0][1] == 34 * DAY - 1
