"""Oil carry-over on seeded trains: exact minutes, causes told apart, look-alikes silent."""

from __future__ import annotations

from math import log

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.detectors.oil_carry_over import PLUGIN
from analytics.tank_usual import TankReadings, learn
from skidhand import brine
from tests.analytics.detectors import build, trains

VIEW = build.skid()
NO_ANALYSER = build.skid(
    build.TRAIN.replace(", outlet_oil: AT-110}", "}").replace(
        "reject_flow: FT-203", "reject_flow: FT-203\n          inlet_oil: AT-110"
    )
)
ALONE = build.skid(
    build.TRAIN.replace("          outlet_oil: AT-202\n", "").replace(
        "temperature: TT-110, outlet_oil: AT-301", "temperature: TT-110"
    )
)
HOURS = 20
N = 60 * HOURS
T = np.arange(N)


def pulse(start: int, minutes: int, rise: float, decay: float = 40.0) -> np.ndarray:
    """1, from ``start`` on up to 1 + ``rise`` within ``minutes``, then back with a time constant of ``decay``."""
    up = np.clip((T - start) / minutes, 0.0, 1.0)
    return 1.0 + rise * up * np.exp(-np.clip(T - start - minutes, 0, None) / decay)


def slug(values: trains.Values, start: int = 800, oil: float = 3.0) -> trains.Values:
    """60 % more water for 20 minutes and several times the oil, seen downstream as well."""
    values["tank", "inlet_flow"] *= np.where((start <= T) & (start + 20 > T), 1.6, 1.0)
    values["tank", "outlet_oil"] *= pulse(start, 20, oil)
    values["cyclone", "outlet_oil"] *= pulse(start + 3, 20, oil / 2)
    values["filter", "outlet_oil"] *= pulse(start + 5, 20, oil / 2)
    return values


def test_slug_is_called_once_within_half_an_hour_and_closed_when_back() -> None:
    """Water and oil surge at minute 800: called 14 minutes later with cause and partners, closed when it has gone."""
    drafts = trains.said(PLUGIN, VIEW, "tank", slug(trains.quiet(N)))
    assert trains.words(drafts) == [(814, "slug", "high", 800, None), (959, "slug", "high", 800, 930)]
    first = drafts[0]
    assert {d.run_key for d in drafts} == {first.run_key}
    assert first.confidence == 0.9
    numbers = {n.name: n.value for n in first.evidence.numbers}
    assert numbers["oil"] > 1.5 * numbers["oil_expected"] > 1.5 * 100.0
    assert numbers["inlet_flow"] == pytest.approx(32.0, rel=0.01)
    assert numbers["oil_after_cyclone"] > 1.2 * numbers["oil_after_cyclone_usual"]
    assert [r.what for r in first.ruled_out] == ["a flow step", "AT-110 alone"]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_quiet_tank_says_nothing(seed: int) -> None:
    """Twenty quiet hours: silence."""
    assert trains.said(PLUGIN, VIEW, "tank", trains.quiet(N, seed)) == []


def api_421(flow: np.ndarray, celsius: np.ndarray, sizes_um: tuple[float, ...] = (30.0, 50.0, 70.0)) -> np.ndarray:
    """Share of oil that leaves an ideal settler, mean over droplet sizes.

    Rise Vt [ft/min] = 0.0241 (Sw − So)/µ[poise] at 150 µm (API Publication 421, 1990), as the square of size; what
    rises slower than flow over area is let through in proportion.
    """
    grams, oil, area = 90.0, 0.83, 30.0
    share = brine.mass_fraction(grams)
    water = np.array([float(brine.density(share, c)) for c in celsius]) / 1000.0
    poise = np.array([float(brine.viscosity(share, c)) for c in celsius]) / 100.0
    rise = 0.0241 * (water - oil) / poise * 0.3048 * 60.0  # m/h
    through = [np.clip(1.0 - rise * (d / 150.0) ** 2 * area / flow, 0.0, 1.0) for d in sizes_um]
    return np.mean(through, axis=0)


def test_flow_step_through_an_ideal_settler_says_nothing() -> None:
    """Thirty per cent more flow lets a third more oil through an ideal settler (API 421): nobody is called."""
    values = trains.quiet(N)
    step = np.where((T >= 700) & (T < 1000), 1.3, 1.0)
    share = api_421(20.0 * step, np.full(N, 25.0))
    assert share[800] / share[0] == pytest.approx(1.33, abs=0.05)
    values["tank", "inlet_flow"] *= step
    values["tank", "outlet_oil"] *= share / share[0]
    values["cyclone", "outlet_oil"] *= share / share[0]
    assert trains.said(PLUGIN, VIEW, "tank", values) == []


def test_cold_feed_through_an_ideal_settler_says_nothing() -> None:
    """Ten degrees colder within an hour: a quarter more viscosity, more oil by API 421, and nobody is called."""
    values = trains.quiet(N)
    celsius = 25.0 - 10.0 * np.clip((T - 700) / 60.0, 0.0, 1.0)
    share = api_421(np.full(N, 20.0), celsius)
    assert share[-1] / share[0] > 1.25
    values["tank", "temperature"] += celsius - 25.0
    values["tank", "outlet_oil"] *= share / share[0]
    values["cyclone", "outlet_oil"] *= share / share[0]
    assert trains.said(PLUGIN, VIEW, "tank", values) == []


def test_slope_is_learnt_from_an_ideal_settler() -> None:
    """From hours at flows 20 and 26 the slope of ln(oil) in ln(load) is the settler's own between the two."""
    flows = np.array([20.0] * 30 + [26.0] * 10)
    oils = 100.0 * api_421(flows, np.full(40, 25.0))
    own = log(oils[-1] / oils[0]) / log(1.3)
    usual = learn([TankReadings(minute=i, oil=o, flow=f) for i, (o, f) in enumerate(zip(oils, flows, strict=True))])
    assert usual.slope == pytest.approx(own, abs=0.05)
    assert usual.expected(log(26.0)) == pytest.approx(oils[-1], rel=0.02)
    assert learn([TankReadings(minute=i, oil=100.0, flow=20.0) for i in range(6)]).slope == 1.2


@pytest.mark.parametrize("minutes", [1, 400])
def test_analyser_alone_says_nothing(minutes: int) -> None:
    """Three times the oil, at once or over hours, while flow and the analysers downstream stay: the analyser's."""
    values = trains.quiet(N)
    values["tank", "outlet_oil"] *= pulse(700, minutes, 2.0, 1e9)
    assert trains.said(PLUGIN, VIEW, "tank", values) == []


def test_without_analysers_downstream_only_what_comes_fast_is_called() -> None:
    """With nothing to compare with, three times the oil within the hour is called and over seven hours is not."""
    words = []
    for minutes in (40, 420):
        values = trains.quiet(N)
        values["tank", "outlet_oil"] *= pulse(700, minutes, 2.0, 1e9)
        words.append(trains.words(trains.said(PLUGIN, ALONE, "tank", values)))
    assert words == [[(719, None, "high", 705, None)], []]


def test_wash_water_that_returns_is_allowed_for() -> None:
    """1.9 times the oil in the hours after a wash says nothing; the same without a wash is called."""
    words = []
    for washes in (True, False):
        values = trains.quiet(N)
        values["tank", "outlet_oil"] *= 0.7
        for key in (("tank", "outlet_oil"), ("cyclone", "outlet_oil")):
            values[key] *= pulse(720, 30, 0.9, 60.0)
        washing = np.where(washes, (T >= 700) & (T < 712), False)
        words.append(trains.words(trains.said(PLUGIN, VIEW, "tank", values, washing={"filter": washing})))
    assert words[0] == []
    assert [(w[0], w[1]) for w in words[1]] == [(744, None), (864, None)]


def test_more_than_a_wash_explains_is_its_return() -> None:
    """Four times the oil after a wash, no surge: called, and put down to what came back."""
    values = trains.quiet(N)
    for key in (("tank", "outlet_oil"), ("cyclone", "outlet_oil")):
        values[key] *= pulse(720, 30, 3.0, 60.0)
    washing = (T >= 700) & (T < 712)
    drafts = trains.said(PLUGIN, VIEW, "tank", values, washing={"filter": washing})
    assert {d.cause for d in drafts} == {"own-return"}


def test_lasting_flow_above_the_limit_is_overload() -> None:
    """Sixty per cent more flow lets out what flow explains, but over outlet_oil_high: overload, after half an hour."""
    values = trains.quiet(N)
    values["tank", "inlet_flow"] *= np.where(T >= 700, 1.6, 1.0)
    for key in (("tank", "outlet_oil"), ("cyclone", "outlet_oil")):
        values[key] *= 1.0 + 0.76 * (1.0 - np.exp(-np.clip(T - 700, 0, None) / 15.0))
    words = trains.words(trains.said(PLUGIN, VIEW, "tank", values))
    assert [(w[0], w[1], w[2]) for w in words] == [(744, "overload", "high")]


def test_more_oil_than_a_lasting_flow_step_explains_is_overload() -> None:
    """A third more water for hours and slowly twice the oil, downstream too: the tank is overloaded, no slug."""
    values = trains.quiet(N)
    values["tank", "inlet_flow"] *= np.where(T >= 700, 1.35, 1.0)
    for key in (("tank", "outlet_oil"), ("cyclone", "outlet_oil")):
        values[key] *= 0.7 * pulse(700, 90, 1.6, 1e9)
    assert {d.cause for d in trains.said(PLUGIN, VIEW, "tank", values)} == {"overload"}


@pytest.mark.parametrize(("rise", "words"), [(1.25, []), (1.45, [(729, None, "high", 700, None)])])
def test_limit_just_above_the_usual_needs_a_margin(rise: float, words: list[object]) -> None:
    """A usual of 140 mg/L under a limit of 150: 175 mg/L is its everyday swing, 203 mg/L is not."""
    values = trains.quiet(N)
    values["tank", "outlet_oil"] *= 1.4
    for key in (("tank", "outlet_oil"), ("cyclone", "outlet_oil")):
        values[key] *= np.where(T >= 700, rise, 1.0)
    assert trains.words(trains.said(PLUGIN, VIEW, "tank", values)) == words


def test_just_above_the_limit_waits_for_the_usual() -> None:
    """A new tank at 165 mg/L above a limit of 150: nobody is called before its usual is known, nor then."""
    values = trains.quiet(600)
    values["tank", "outlet_oil"] += 65.0
    assert trains.said(PLUGIN, VIEW, "tank", values) == []


def test_thick_pad_without_skimming_is_a_stuck_skim() -> None:
    """The pad has grown to 0.5 m before oil comes over without a surge: the skim."""
    values = trains.quiet(N)
    values["tank", "interface_level"] -= 0.4 * np.clip((T - 400) / 200.0, 0.0, 1.0)
    for key in (("tank", "outlet_oil"), ("cyclone", "outlet_oil")):
        values[key] *= pulse(700, 30, 2.0, 60.0)
    assert {d.cause for d in trains.said(PLUGIN, VIEW, "tank", values)} == {"stuck-skim"}


def test_limit_speaks_before_anything_is_learnt() -> None:
    """Oil far above outlet_oil_high from the first minute is called after half an hour, in its first hours too."""
    values = trains.quiet(300)
    values["tank", "outlet_oil"] += 140.0
    assert trains.words(trains.said(PLUGIN, VIEW, "tank", values)) == [(29, None, "high", 0, None)]


def test_analyser_at_the_cyclones_inlet_serves() -> None:
    """Without an analyser of its own the tank is judged by the cyclone's inlet, to the same minute."""
    values = slug(trains.quiet(N))
    values["cyclone", "inlet_oil"] = values["tank", "outlet_oil"]
    words = trains.words(trains.said(PLUGIN, NO_ANALYSER, "tank", values))
    assert words == trains.words(trains.said(PLUGIN, VIEW, "tank", values))


def test_lost_flow_and_temperature_are_no_load() -> None:
    """Hours without flow (or below zero) or temperature teach nothing, accuse nobody; a slug later is called."""
    values = slug(trains.quiet(N))
    values["tank", "inlet_flow"][300:480] = np.nan
    values["tank", "temperature"][500:600] = np.nan
    values["tank", "inlet_flow"][600:660] = -0.1
    assert trains.words(trains.said(PLUGIN, VIEW, "tank", values))[0] == (814, "slug", "high", 800, None)


def test_limit_below_the_usual_falls_silent_when_that_is_learnt() -> None:
    """A tank that always gives 240 mg/L above a limit of 150: said at first, over once its usual is known."""
    values = trains.quiet(N)
    values["tank", "outlet_oil"] += 140.0
    words = trains.words(trains.said(PLUGIN, VIEW, "tank", values))
    assert words == [(29, None, "high", 0, None), (389, None, "high", 0, 360)]


@settings(max_examples=8, deadline=None)
@given(st.lists(st.integers(1, N - 1), max_size=6))
def test_cuts_do_not_matter(cuts: list[int]) -> None:
    """Cut anywhere, the same drafts."""
    values = slug(trains.quiet(N))
    assert trains.said(PLUGIN, VIEW, "tank", values, cuts) == trains.said(PLUGIN, VIEW, "tank", values)
