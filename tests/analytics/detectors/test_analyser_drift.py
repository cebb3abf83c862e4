"""Analyser drift on seeded trains: exact minutes, and silence where oil really moved."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.detectors.analyser_drift import PLUGIN
from analytics.drift_shape import hinge, steady
from tests.analytics.detectors import build, trains

VIEW = build.skid()
N = 48 * 60
T = np.arange(N)
START, END = 20 * 60, 36 * 60


def fouled(key: tuple[str, str] = ("filter", "outlet_oil"), rise: float = 10.0, seed: int = 1) -> trains.Values:
    """One reading drifts up from START to END and is cleaned then; its noise halves meanwhile."""
    values = trains.quiet(N, seed)
    level = trains.LEVELS[key][0]
    quieter = 1.0 - 0.5 * trains.ramp(N, START, END, 1.0)
    values[key] = level + (values[key] - level) * quieter + trains.ramp(N, START, END, rise)
    return values


def all_said(values: trains.Values, **how) -> list[tuple[str, int, int, int | None]]:
    """(tag, minute, onset, ended) over every unit of the train."""
    found = []
    for unit in VIEW.units:
        drafts = trains.said(PLUGIN, VIEW, unit.id, values, **how)
        assert {(d.kind, d.cause, d.severity) for d in drafts} <= {("sensor-drift", "fouled", "low")}
        found += [(d.unit, *(w[0], w[3], w[4])) for d, w in zip(drafts, trains.words(drafts), strict=True)]
    return found


def test_drift_behind_a_bed_is_called_and_closed_when_cleaned() -> None:
    """AT-301 drifts from minute 1200 on behind a young bed: called after 5.5 h, dated to a bin, closed."""
    assert all_said(fouled()) == [("AT-301", 1529, 1170, None), ("AT-301", 2219, 1170, 2160)]


@pytest.mark.parametrize("sign", [1.0, -0.75])
def test_drift_between_partners_is_called_sooner(sign: float) -> None:
    """AT-202 has analysers on both sides: up or down, called as soon as it is half as much again or a third less."""
    words = all_said(fouled(("cyclone", "outlet_oil"), rise=sign * 15.0))
    assert [w[0] for w in words] == ["AT-202", "AT-202"]
    assert 1200 + 5 * 60 < words[0][1] < 1200 + 10 * 60
    assert abs(words[0][2] - 1200) <= 60
    assert words[1][3] == 2160


def test_evidence_names_the_partners() -> None:
    """Reading, usual reading and every partner with its usual are there, in the site's unit."""
    draft = trains.said(PLUGIN, VIEW, "filter", fouled())[0]
    names = {n.name: n.value for n in draft.evidence.numbers}
    assert names["reading"] / names["reading_usual"] == pytest.approx(names["reading_over_usual"], rel=1e-3)
    assert names["tank_outlet_oil"] == pytest.approx(100.0, rel=0.02)
    assert names["cyclone_outlet_oil_usual"] == pytest.approx(15.0, rel=0.02)
    assert [r.what for r in draft.ruled_out] == ["oil carried along", "an upset", "breakthrough"]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_quiet_train_says_nothing(seed: int) -> None:
    """Two quiet days: silence on every analyser."""
    assert all_said(trains.quiet(N, seed)) == []


def test_oil_that_really_rises_says_nothing() -> None:
    """The tank lets out twice the oil, slowly, and every analyser down the train follows: silence."""
    values = trains.quiet(N)
    for key, share in (
        (("tank", "outlet_oil"), 1.0),
        (("cyclone", "outlet_oil"), 1.0),
        (("filter", "outlet_oil"), 1.0),
    ):
        values[key] *= 1.0 + share * trains.ramp(N, START, END, 1.0)
    assert all_said(values) == []


def test_slug_says_nothing() -> None:
    """Four times the oil for an hour, less of it further on: silence."""
    values = trains.quiet(N)
    pulse = np.exp(-np.clip(T - 1300, 0, None) / 60.0) * (T >= 1300)
    for key, share in (
        (("tank", "outlet_oil"), 3.0),
        (("cyclone", "outlet_oil"), 2.0),
        (("filter", "outlet_oil"), 2.0),
    ):
        values[key] *= 1.0 + share * pulse
    assert all_said(values) == []


def test_breakthrough_at_the_end_of_runs_says_nothing() -> None:
    """AT-301 doubles over the last four hours of each 12-hour run and falls at the wash: the bed, not the analyser."""
    values = trains.quiet(N)
    run = T % 720
    washing = run >= 708
    values["filter", "dp"] = 20.0 + 55.0 * run / 720.0
    values["filter", "outlet_oil"] *= 1.0 + np.clip((run - 460) / 240.0, 0.0, 1.0)
    settling = washing | (run < 12)
    assert all_said(values, washing={"filter": washing}, settling=settling) == []


def test_drift_that_goes_on_through_a_wash_is_called() -> None:
    """The same washes, and a reading that rises on through them: called after the next wash."""
    values = fouled()
    run = T % 720
    washing = run >= 708
    values["filter", "dp"] = 20.0 + 55.0 * run / 720.0
    words = all_said(values, washing={"filter": washing}, settling=washing | (run < 12))
    assert [w[0] for w in words] == ["AT-301", "AT-301"]
    assert 1440 < words[0][1] < 1440 + 120


def test_step_says_nothing() -> None:
    """A reading that jumps to twice its value and stays is no slow drift."""
    values = trains.quiet(N)
    values["cyclone", "outlet_oil"] *= np.where(T >= 1500, 2.0, 1.0)
    assert all_said(values) == []


def test_another_flow_says_nothing() -> None:
    """While flow is 30 % up, the cyclone's slow response is not judged."""
    values = trains.quiet(N)
    for key in (("tank", "inlet_flow"), ("cyclone", "inlet_flow"), ("filter", "flow")):
        values[key] *= np.where((T >= START) & (T < END), 1.3, 1.0)
    values["cyclone", "outlet_oil"] *= 1.0 + trains.ramp(N, START, END, 1.0)
    assert all_said(values) == []


def test_cleaning_is_seen_at_another_flow() -> None:
    """A drift that is said closes when the reading is back, whatever the flow is by then."""
    values = fouled()
    values["filter", "flow"] *= np.where(T >= 2100, 1.3, 1.0)
    assert all_said(values)[-1] == ("AT-301", 2219, 1170, 2160)


def test_a_lasting_other_flow_is_learnt() -> None:
    """Two days at 30 % more flow become the usual; a drift after that is called again."""
    n = 6 * 1440
    t = np.arange(n)
    values = trains.quiet(n)
    values["filter", "flow"] *= np.where(t >= 1440, 1.3, 1.0)
    values["filter", "outlet_oil"] += trains.ramp(n, 6500, 7500, 10.0)
    drafts = trains.said(PLUGIN, VIEW, "filter", values)
    assert [d.ended is None for d in drafts] == [True, False]
    assert abs(drafts[0].onset - build.MINUTE0 - 6500) <= 60


def test_readings_below_zero_are_passed_over() -> None:
    """A partner and a flow that read just below zero for hours break nothing, and explain nothing."""
    values = fouled()
    values["cyclone", "outlet_oil"][1300:2400] = -0.5
    values["tank", "inlet_flow"][1300:1500] = -0.1
    assert [w[0] for w in all_said(values)] == ["AT-301", "AT-301"]


def test_one_analyser_alone_is_not_watched() -> None:
    """With nothing to compare with nothing is watched, and what is missing is said."""
    view = build.skid("\n      - {id: tank, type: weir_tank, roles: {inlet_flow: FT-100, outlet_oil: AT-110}}\n")
    coverage = PLUGIN.needs(view.by_id["tank"], view)
    assert coverage.watched == frozenset()
    assert "another oil or turbidity analyser" in coverage.missing[0]


def test_hinge_and_steady() -> None:
    """A ramp's begin is found to the point under noise; a ramp is steady, a step and noise are not."""
    rng = np.random.default_rng(5)
    noise = 0.02 * rng.standard_normal(60)
    ramp = np.clip(np.arange(60) - 40, 0, None) * 0.05
    assert abs(hinge(ramp + noise) - 40) <= 1
    assert steady((ramp + noise)[40:])
    assert not steady(np.repeat([0.0, 1.0], 10) + noise[:20])
    assert not steady(noise)


@settings(max_examples=8, deadline=None)
@given(st.lists(st.integers(1, N - 1), max_size=6))
def test_cuts_do_not_matter(cuts: list[int]) -> None:
    """Cut anywhere, the same drafts."""
    values = fouled()
    assert trains.said(PLUGIN, VIEW, "filter", values, cuts) == trains.said(PLUGIN, VIEW, "filter", values)


def test_more_oil_behind_a_cyclone_whose_reject_plugs_is_the_cyclone() -> None:
    """The same rise at the cyclone's outlet, while a third less goes to its reject: nothing of the analyser."""
    values = fouled(("cyclone", "outlet_oil"), rise=15.0)
    assert all_said(values)
    values["cyclone", "reject_flow"] = values["cyclone", "reject_flow"] * np.where(T >= START, 0.65, 1.0)
    assert all_said(values) == []
