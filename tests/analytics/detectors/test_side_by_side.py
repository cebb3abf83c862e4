"""Filters side by side, their wash queue, and the interface's noise: pure functions and short made series."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.detectors.backwash_course import OVERDUE
from analytics.detectors.backwash_course import PLUGIN as COURSE
from analytics.detectors.dp_rise import PLUGIN as RISE
from analytics.detectors.filter_quality import PLUGIN as QUALITY
from analytics.detectors.filter_quality import _reference
from analytics.detectors.tank_layers import LATELY
from analytics.detectors.tank_layers import PLUGIN as LAYERS
from tests.analytics.detectors import build

TERMINAL = 80.0
_FILTER = """
      - id: {id}
        type: media_filter
        feeds: []
        roles: {{flow: FT-{n}, dp: PDT-301, outlet_oil: AT-{n}, backwash: XS-{n}}}
        limits: {{dp_terminal: 80, prompt_hours: {{value: 4, unit: h}}}}
"""
_EXTRA = """
      FT-302: {unit: "m3/h", range: [0, 100]}
      AT-302: {unit: "mg/L", range: [0, 200]}
      XS-302: {unit: "1", states: {0: service, 1: backwash}, reporting: on_change}
"""


@pytest.fixture
def pair(monkeypatch):
    """Filters ``left`` and ``right`` behind one cyclone."""
    monkeypatch.setattr(build, "INSTRUMENTS", build.INSTRUMENTS + _EXTRA.strip("\n"))
    before = build.TRAIN[: build.TRAIN.index("      - id: filter\n")]
    before = before.replace("type: hydrocyclone\n", "type: hydrocyclone\n        feeds: [left, right]\n")
    filters = "".join(_FILTER.format(id=name, n=n).strip("\n") + "\n" for name, n in (("left", 301), ("right", 302)))
    return build.skid(before + filters + "    backwash_by: controller\n")


def _bank(view, left, right, dp, **how):
    """Minutes of both filters: flows (n,), one drop (n,)."""
    n = len(dp)
    values = {
        ("left", "flow"): left, ("right", "flow"): right, ("left", "dp"): dp, ("right", "dp"): dp,
        ("left", "backwash"): np.zeros(n), ("right", "backwash"): np.zeros(n),
    }  # fmt: skip
    return build.block(view, values, **how)


def _called(view, unit, data):
    return [d.minute - build.MINUTE0 for d in build.run(RISE, view, unit, data)[1] if d.kind == "dp-rise"]


def test_only_the_filter_with_the_least_flow_is_called(pair):
    """One drop climbs to its limit; the filter that takes 8 m3/h of 20 is spoken of before it, the other never."""
    dp = np.linspace(20.0, TERMINAL, 600)
    data = _bank(pair, np.full(600, 8.0), np.full(600, 12.0), dp)
    called = _called(pair, "left", data)
    assert called
    assert dp[called[0]] < TERMINAL
    assert _called(pair, "right", data) == []


def test_the_limit_is_severe_though_no_climb_is_known_yet(pair):
    """Before any wash taught how the drop climbs it is called once, and once more, high, when it is at its limit."""
    dp = np.concatenate([np.linspace(20.0, TERMINAL, 600), np.full(100, TERMINAL + 5.0)])
    data = _bank(pair, np.full(700, 8.0), np.full(700, 12.0), dp)
    words = build.run(RISE, pair, "left", data)[1]
    assert [(d.severity, d.forecast) for d in words] == [("medium", None), ("high", None)]
    assert dp[words[1].minute - build.MINUTE0] >= TERMINAL


def test_filters_that_hardly_differ_are_both_called_before_the_limit(pair):
    """With flows 2 % apart it cannot be told which is next, so both are spoken of before the drop is at its limit."""
    dp = np.linspace(20.0, TERMINAL, 600)
    data = _bank(pair, np.full(600, 9.9), np.full(600, 10.1), dp)
    for unit in ("left", "right"):
        called = _called(pair, unit, data)
        assert called, unit
        assert dp[called[0]] < TERMINAL


def _taken_in_turn(view, *, clock=None):
    """Minutes of both filters: the drop climbs from 30 to 80 in 600 minutes, then the other one is washed for ten.

    With ``clock`` the drop climbs to 60 alone, and the wash comes after so many minutes.
    """
    climb = np.linspace(30.0, TERMINAL if clock is None else 60.0, clock or 600)
    dp, flows, washing, turn = [], {"left": [], "right": []}, {"left": [], "right": []}, "left"
    for _ in range(8):
        other = "right" if turn == "left" else "left"
        dp += [*climb, *[60.0] * 10]
        flows[turn] += [*np.full(len(climb), 8.0), *[0.0] * 10]
        flows[other] += [*np.full(len(climb), 12.0), *[20.0] * 10]
        washing[turn] += [False] * len(climb) + [True] * 10
        washing[other] += [False] * (len(climb) + 10)
        turn = other
    masks = {name: np.array(mask) for name, mask in washing.items()}
    return _bank(view, np.array(flows["left"]), np.array(flows["right"]), np.array(dp), washing=masks)


def test_filters_are_called_in_turn_and_told_when(pair):
    """Washed by turns, each is called for its own wash, never for the other's, the third time within 5 h."""
    data = _taken_in_turn(pair)
    for unit, first in (("left", 0), ("right", 610)):
        words = [d for d in build.run(RISE, pair, unit, data)[1] if d.kind == "dp-rise"]
        ends = [first + 600 + 1220 * k for k in range(4)]
        opened = {d.run_key: d for d in reversed(words) if d.ended is None}
        called = sorted(d.minute - build.MINUTE0 for d in opened.values())
        assert len(called) == 4
        for minute, end in zip(called, ends, strict=True):
            assert end - 600 <= minute < end
        assert called[2] >= ends[2] - 300
        last = max(opened.values(), key=lambda d: d.minute)
        assert last.forecast is not None
        assert abs(last.forecast.when.timestamp() / 60.0 - build.MINUTE0 - ends[-1]) <= 20


def test_of_filters_washed_together_the_one_with_less_flow_is_next(pair):
    """Washed in the same ten minutes, the drop climbs again: the one that takes 8 m3/h of 20 is called, alone."""
    climb, washing = np.linspace(20.0, TERMINAL, 600), np.zeros(1210, dtype=bool)
    washing[600:610] = True
    dp = np.concatenate([climb, np.full(10, 20.0), climb])
    flows = {"left": np.where(washing, 0.0, 8.0), "right": np.where(washing, 0.0, 12.0)}
    data = _bank(pair, flows["left"], flows["right"], dp, washing=dict.fromkeys(flows, washing))
    assert max(_called(pair, "left", data)) > 610
    assert [minute for minute in _called(pair, "right", data) if minute > 610] == []


def test_washes_by_the_clock_are_learnt(pair):
    """Where no run reaches the limit but all end after 20 h 10 min, the fourth is called by the clock, to 2 %."""
    data = _taken_in_turn(pair, clock=600)
    words = [d for d in build.run(RISE, pair, "left", data)[1] if d.kind == "dp-rise" and d.ended is None]
    last = max(words, key=lambda d: d.minute)
    assert last.forecast is not None
    assert last.forecast.low < last.forecast.when
    assert abs(last.forecast.when.timestamp() / 60.0 - build.MINUTE0 - (600 + 1220 * 3)) <= 0.02 * 1220


def test_water_behind_a_bed_is_measured_by_its_neighbour(pair):
    """The neighbour's reading is the measure, not the oil that arrives; where it is unread there is no measure."""
    unit, arrives = pair.by_id["left"], np.full(3, 50.0)
    values = {("left", "outlet_oil"): [6.0, 6.0, 6.0], ("right", "outlet_oil"): [4.0, np.nan, 5.0]}
    found = _reference(unit, pair, build.block(pair, values), "outlet_oil", arrives)
    assert np.array_equal(found, [4.0, np.nan, 5.0], equal_nan=True)


def test_a_filter_alone_is_measured_by_the_oil_that_arrives():
    """Without a neighbour the oil before it is the measure, and none where that is not above zero."""
    view = build.skid()
    data = build.block(view, {("filter", "outlet_oil"): [6.0, 6.0]})
    found = _reference(view.by_id["filter"], view, data, "outlet_oil", np.array([50.0, 0.0]))
    assert np.array_equal(found, [50.0, np.nan], equal_nan=True)


def test_a_drop_of_nothing_is_no_clean_bed():
    """Two days at exactly zero, then a drop and four times the oil: nothing to compare with, so nothing is said."""
    view, later = build.skid(), np.arange(60 * 60) >= 48 * 60
    values = {
        ("filter", "flow"): np.full(60 * 60, 20.0), ("filter", "dp"): np.where(later, 30.0, 0.0),
        ("filter", "outlet_oil"): np.where(later, 24.0, 6.0), ("cyclone", "outlet_oil"): np.full(60 * 60, 100.0),
    }  # fmt: skip
    state, drafts = build.run(QUALITY, view, "filter", build.block(view, values))
    assert drafts == []
    assert state.usual is None or state.usual.clean > 0.0


@pytest.mark.parametrize("busy", [False, True])
def test_a_filter_that_waits_for_anothers_wash_has_missed_none(pair, busy):
    """At its limit for longer than OVERDUE the wash is missed; not while the other filter is being washed."""
    n = 3 * OVERDUE
    data = _bank(
        pair, np.full(n, 8.0), np.full(n, 12.0), np.full(n, TERMINAL + 2.0),
        washing={"left": np.zeros(n, dtype=bool), "right": np.full(n, busy)},
    )  # fmt: skip
    kinds = {d.kind for d in build.run(COURSE, pair, "left", data)[1]}
    assert kinds == (set() if busy else {"backwash-missed"})


def _tank(hours: int, *, seed: int = 1):
    """A tank whose interface reading scatters by 5 mm ± 10 % a minute, surface at 1.3 m and pad 0.1 m."""
    rng, n, view = np.random.default_rng(seed), hours * 60, build.skid()
    noise = 0.005 * (1.0 + 0.1 * rng.standard_normal(n))
    surface = 0.005 * (1.0 + 0.1 * rng.standard_normal(n))
    return view, np.full(n, 1.3), np.full(n, 1.2), noise, surface


def _layers(view, level, interface, noise, surface):
    data = build.block(
        view,
        {("tank", "level"): level, ("tank", "interface_level"): interface},
        stds={("tank", "interface_level"): noise, ("tank", "level"): surface},
    )  # fmt: skip
    return [(d.kind, d.minute - build.MINUTE0) for d in build.run(LAYERS, view, "tank", data)[1]]


def test_a_quiet_interface_raises_no_rag_layer_in_48_hours():
    """The instrument's own noise, on a pad that grew by 30 % after learning, is no rag layer for two days."""
    view, level, interface, noise, surface = _tank(48)
    interface[20 * 60 :] = 1.17
    assert _layers(view, level, interface, noise, surface) == []


def test_a_lasting_small_excess_of_noise_is_a_rag_layer():
    """Interface noise 25 % up for good on a pad 30 % thicker is told, once, when 2 h of it are the median."""
    view, level, interface, noise, surface = _tank(30)
    interface[20 * 60 :] = 1.17
    noise[20 * 60 :] *= 1.25
    said = _layers(view, level, interface, noise, surface)
    assert [kind for kind, _ in said] == ["rag-layer"]
    assert 20 * 60 + LATELY * 15 // 2 <= said[0][1] <= 24 * 60


@pytest.mark.parametrize("both", [False, True])
def test_a_short_burst_or_waves_are_no_rag_layer(both):
    """Noise for three quarters of an hour does not move the 2-h median; noise of the surface too is waves."""
    view, level, interface, noise, surface = _tank(30)
    interface[20 * 60 :] = 1.17
    length = 10 * 60 if both else 45
    noise[20 * 60 : 20 * 60 + length] *= 1.25
    if both:
        surface[20 * 60 :] *= 1.25
    assert _layers(view, level, interface, noise, surface) == []
