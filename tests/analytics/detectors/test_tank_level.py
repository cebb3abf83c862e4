"""Tanks that fill by the day, and tanks whose data are lost while they fill."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from analytics.detectors.tank_level import PLUGIN
from analytics.evidence import moment
from tests.analytics.detectors import build

START = moment(build.MINUTE0)
TANK = """
      - {{id: tank, type: buffer_tank, holds: {holds}, roles: {{level: LT-110}}, params: {{area: 2, height: 2.5}}}}
"""


def said(level, holds):
    """Drafts about one tank with these minutes of level, m; NaN where none arrives."""
    view = build.skid(TANK.format(holds=holds))
    noise = 0.001 * np.random.default_rng(4).standard_normal(len(level))
    return build.run(PLUGIN, view, "tank", build.block(view, {("tank", "level"): level + noise}), (1000, 3000))[1]


def hours(count):
    """Hours at each minute."""
    return np.arange(count * 60) / 60.0


def test_an_oil_tank_that_no_truck_empties_is_told_with_its_time_to_full():
    """2.5 cm an hour from 1 m on: said near nine tenths, with hours to go, and full as a ruler on paper says."""
    draft = said(1.0 + 0.025 * hours(56), "oil")[0]
    assert draft.kind == "tank-filling"
    assert draft.severity == "medium"
    assert draft.forecast is not None
    assert abs(draft.forecast.when - START - timedelta(hours=60)) < timedelta(minutes=15)
    assert draft.forecast.low < draft.forecast.when < draft.forecast.high
    assert draft.forecast.when - START - timedelta(minutes=draft.minute - build.MINUTE0) > timedelta(hours=4)


def test_an_oil_tank_that_trucks_empty_late_as_ever_is_not():
    """Filled to 95 % and emptied, again and again: that is how it is run there, once it has been seen."""
    level = 0.6 + 1.775 * (hours(120) % 24.0) / 24.0
    late = [d for d in said(level, "oil") if d.minute - build.MINUTE0 > 30 * 60 and d.ended is None]
    assert late == []


def test_a_tank_that_fills_while_no_level_arrives_goes_on_filling():
    """A level within its band rises by 25 cm an hour and is lost: when it must be full within hours, it is said."""
    t = hours(40)
    level = 1.2 + 0.2 * np.sin(t) * (t < 30) + 0.25 * np.clip(t - 30.0, 0.0, 9.0)
    level[t > 31.2] = np.nan
    draft = said(level, "treated-water")[0]
    assert draft.kind == "tank-filling"
    assert draft.confidence == 0.6
    assert "level_not_read_for" in {n.name for n in draft.evidence.numbers}
    assert draft.forecast is not None
    assert abs(draft.forecast.when - START - timedelta(hours=35.2)) < timedelta(minutes=30)
