"""Strainer blinding on seeded drops: exact minutes, a forecast that comes true, look-alikes silent."""

from __future__ import annotations

import numpy as np
import pytest
from fluids.control_valve import Cv_to_Kv, size_control_valve_l
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.blinding import reach, resistance
from analytics.detectors.strainer_blinding import PLUGIN
from tests.analytics.detectors import build, trains

VIEW = build.skid()
PRESSURES = build.skid(
    build.TRAIN.replace(
        "{flow: FT-100, dp: PDT-101}", "{flow: FT-100, inlet_pressure: PT-301, outlet_pressure: PT-302}"
    )
)
N = 60 * 60
T = np.arange(N)
START, END = 20 * 60, 60 * 60  # debris comes; all of it is there


def open_area(end: float = 0.45) -> np.ndarray:
    """Share of open area: 1, from START on down in a straight line by ``end``."""
    return 1.0 - end * np.clip((T - START) / (END - START), 0.0, 1.0)


def blinding(seed: int = 1, end: float = 0.6, cleaned: int = N) -> trains.Values:
    """The drop over the open area squared (what a screen with less area does), clean from ``cleaned`` on."""
    values = trains.quiet(N, seed)
    values["strainer", "dp"] /= np.where(cleaned <= T, 1.0, open_area(end)) ** 2
    return values


def test_index_is_the_flow_coefficients() -> None:
    """ΔP/(SG Q²) of a drop computed by IEC 60534 for a device of Cv 8 is (1/Kv)² in bar at any flow, within 0.2 %."""
    for flow in (2.0, 5.0, 9.0):
        kv = Cv_to_Kv(8.0)
        drop_bar = (flow / kv) ** 2
        sized = size_control_valve_l(
            rho=999.1,
            Psat=2000.0,
            Pc=22.1e6,
            mu=1e-3,
            P1=8e5,
            P2=8e5 - 1e5 * drop_bar,
            Q=flow / 3600.0,
            allow_choked=False,
        )
        assert sized == pytest.approx(kv, rel=2e-3)
        assert resistance(drop_bar, flow, 1.0) == pytest.approx(1.0 / kv**2, rel=1e-9)


def test_time_left_of_a_straight_loss_of_area() -> None:
    """Area falls 1 % an hour from 1; 40 h on, four times the clean drop (area a half) is 10 h away, to the minute."""
    hours = np.arange(28.0, 40.5, 0.5)
    low, likely, high = reach((60 * hours).astype(int).tolist(), ((1.0 - 0.01 * hours) ** -2.0).tolist(), 4.0)
    assert likely == pytest.approx(10.0, abs=1 / 60)
    assert low <= likely <= high
    assert reach((60 * hours).astype(int).tolist(), np.linspace(2.0, 1.0, len(hours)).tolist(), 4.0) is None


def test_blinding_is_called_days_ahead_and_the_forecast_comes_true() -> None:
    """Debris from hour 20 on: called at an exact minute, within two days of the limit, and right within 10 %."""
    drafts = trains.said(PLUGIN, VIEW, "strainer", blinding())
    first = drafts[0]
    limit = VIEW.by_id["strainer"].limits["dp_clean_at"]
    due = int(np.argmax(15.0 / open_area(0.6) ** 2 >= limit))
    assert trains.words(drafts)[0] == (1769, None, "medium", 1200, None)
    assert first.forecast is not None
    told = first.forecast.when.timestamp() / 60.0 - build.MINUTE0
    assert abs(told - due) < 0.1 * (due - 1769)
    assert first.forecast.low <= first.forecast.when <= first.forecast.high
    assert {d.run_key for d in drafts} == {first.run_key}
    assert drafts[-1].severity == "high"
    assert drafts[-1].minute - build.MINUTE0 == pytest.approx(due, abs=60)


def test_cleaning_closes_it() -> None:
    """Cleaned at hour 50: closed within an hour, ended at the hour."""
    words = trains.words(trains.said(PLUGIN, VIEW, "strainer", blinding(cleaned=3000)))
    assert words[-1] == (3059, None, "medium", 1200, 3000)
    assert sum(w[4] is not None for w in words) == 1


def test_stopped_and_back_clean_closes_it() -> None:
    """The skid stops for four hours and comes back with a clean strainer: ended where it runs again."""
    running = (T < 2900) | (T >= 3140)
    words = trains.words(trains.said(PLUGIN, VIEW, "strainer", blinding(cleaned=2900), running=running))
    assert words[-1] == (3209, None, "medium", 1200, 3150)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_clean_strainer_says_nothing(seed: int) -> None:
    """Sixty hours at a steady drop, and at one that loses a thousandth of its area an hour: silence."""
    assert trains.said(PLUGIN, VIEW, "strainer", trains.quiet(N, seed)) == []
    assert trains.said(PLUGIN, VIEW, "strainer", blinding(seed, end=0.04)) == []


def test_flow_steps_say_nothing() -> None:
    """Thirty and seventy per cent more flow raise the drop by the square: silence."""
    values = trains.quiet(N)
    step = np.where((T >= 1000) & (T < 1600), 1.3, np.where((T >= 2000) & (T < 2600), 1.7, 1.0))
    values["strainer", "flow"] *= step
    values["strainer", "dp"] *= step**2
    assert trains.said(PLUGIN, VIEW, "strainer", values) == []


def test_limit_speaks_before_anything_is_learnt() -> None:
    """A drop above dp_clean_at from the start is called after two bins, with less confidence and no forecast."""
    values = trains.quiet(180)
    values["strainer", "dp"] += 65.0
    drafts = trains.said(PLUGIN, VIEW, "strainer", values)
    assert trains.words(drafts) == [(59, None, "high", 0, None)]
    assert drafts[0].confidence == 0.6
    assert drafts[0].forecast is None


def test_two_pressures_do_as_well() -> None:
    """Upstream less downstream pressure gives the same minutes as the drop."""
    values = blinding()
    values["strainer", "outlet_pressure"] = np.full(N, 60.0)
    values["strainer", "inlet_pressure"] = 60.0 + values["strainer", "dp"]
    words = trains.words(trains.said(PLUGIN, PRESSURES, "strainer", values))
    assert words == trains.words(trains.said(PLUGIN, VIEW, "strainer", values))


def test_needs_flow_and_a_drop() -> None:
    """Without flow, or without drop, nothing is watched and the role is named."""
    view = build.skid("\n      - {id: strainer, type: strainer, roles: {dp: PDT-101}}\n")
    coverage = PLUGIN.needs(view.by_id["strainer"], view)
    assert (coverage.watched, coverage.missing[0].split(":")[0]) == (frozenset(), "flow")
    view = build.skid("\n      - {id: strainer, type: strainer, roles: {flow: FT-100}}\n")
    assert PLUGIN.needs(view.by_id["strainer"], view).missing == ("dp, or inlet_pressure and outlet_pressure",)


@settings(max_examples=8, deadline=None)
@given(st.lists(st.integers(1, N - 1), max_size=6))
def test_cuts_do_not_matter(cuts: list[int]) -> None:
    """Cut anywhere, the same drafts."""
    values = blinding(cleaned=3000)
    assert trains.said(PLUGIN, VIEW, "strainer", values, cuts) == trains.said(PLUGIN, VIEW, "strainer", values)
