"""Split drift on a cyclone made of an orifice and a swirl loss: exact minutes, causes, look-alikes silent."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import log, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.cyclone_split import Readings, learn, parts, zero_of
from analytics.detectors.base import Draft
from analytics.detectors.split_drift import PLUGIN
from tests.analytics.detectors import build, trains

VIEW = build.skid()
N = 900
T = np.arange(N)
FAULT = 600


@dataclass
class Cyclone:
    """Qr = Cr √(Pin − Prej) and Pin − Pout = K Q² about Q 20 m³/h, 600/400/260 kPa, split 2 %; factors per minute."""

    flow: np.ndarray = field(default_factory=lambda: np.ones(N))
    passage: np.ndarray = field(default_factory=lambda: np.ones(N))
    loss: np.ndarray = field(default_factory=lambda: np.ones(N))
    back: np.ndarray = field(default_factory=lambda: np.zeros(N))

    def values(self, seed: int = 1) -> trains.Values:
        """Readings with the train's usual noise."""
        rng, values = np.random.default_rng(seed), trains.quiet(N, seed)
        inlet = 400.0 + 200.0 * self.loss * self.flow**2
        reject = 260.0 + self.back
        conductance = 0.4 / sqrt(600.0 - 260.0)
        values["cyclone", "inlet_flow"] = 20.0 * self.flow + 0.05 * rng.standard_normal(N)
        values["cyclone", "inlet_pressure"] = inlet + rng.standard_normal(N)
        values["cyclone", "reject_pressure"] = reject + rng.standard_normal(N)
        values["cyclone", "reject_flow"] = conductance * self.passage * np.sqrt(
            inlet - reject
        ) + 0.003 * rng.standard_normal(N)
        return values


def said(values: trains.Values, cuts: list[int] | None = None) -> list[Draft]:
    """What is said of the cyclone."""
    return trains.said(PLUGIN, VIEW, "cyclone", values, cuts or [])


def after(factor: float) -> np.ndarray:
    """1, and ``factor`` from minute FAULT on."""
    return np.where(T >= FAULT, factor, 1.0)


TABLE = (
    # Pin, Pout, Prej kPa, reject m³/h, feed m³/h: PDR, F %; worked by hand from the two laws
    (600.0, 430.0, 500.0, 0.2, 10.0, 100 / 170, 2.0),
    (500.0, 400.0, 330.0, 0.2, 10.0, 1.70, 2.0),
    (500.0, 400.0, 330.0, 0.1, 10.0, 1.70, 1.0),
    (500.0, 400.0, 380.0, 0.168, 10.0, 1.20, 1.68),
)


@pytest.mark.parametrize(("pin", "pout", "prej", "reject", "feed", "pdr", "split"), TABLE)
def test_pressure_drop_ratio_and_split(pin, pout, prej, reject, feed, pdr, split) -> None:
    """PDR = (Pin − Prej)/(Pin − Pout) and F = reject over feed, to 1e-9."""
    now = Readings(minute=0, inlet=feed, reject=reject, pin=pin, pout=pout, prej=prej)
    assert now.pdr == pytest.approx(pdr, abs=1e-9)
    assert 100.0 * now.ratio == pytest.approx(split, abs=1e-9)


def test_parts_of_a_change_by_hand() -> None:
    """Half the passage is ln ½ of passage alone; 50 kPa of back-pressure is ½ ln(120/170) of push alone."""
    base = learn([Readings(minute=0, inlet=10.0, reject=0.2, pin=500.0, pout=400.0, prej=330.0)])
    plugged = parts(Readings(minute=1, inlet=10.0, reject=0.1, pin=500.0, pout=400.0, prej=330.0), base)
    assert (plugged.passage, plugged.push, plugged.inlet) == pytest.approx((log(0.5), 0.0, 0.0), abs=1e-9)
    held = parts(Readings(minute=1, inlet=10.0, reject=0.2 * sqrt(120 / 170), pin=500.0, pout=400.0, prej=380.0), base)
    assert (held.passage, held.push, held.inlet) == pytest.approx((0.0, 0.5 * log(120 / 170), 0.0), abs=1e-9)
    assert held.drop_ratio == pytest.approx(log(1.2 / 1.7), abs=1e-9)


def test_plugged_reject() -> None:
    """Forty per cent less passage at minute 600: called 14 minutes later, dated, cause told, PDR unchanged."""
    drafts = said(Cyclone(passage=after(0.6)).values())
    assert trains.words(drafts) == [(614, "reject-plugging", "high", 600, None)]
    numbers = {n.name: n.value for n in drafts[0].evidence.numbers}
    assert numbers["reject_ratio"] / numbers["reject_ratio_expected"] == pytest.approx(0.6, rel=0.02)
    assert numbers["pressure_drop_ratio"] == pytest.approx(1.7, rel=0.02)


def test_reject_back_pressure_and_its_end() -> None:
    """A hundred kPa more behind the reject from minute 600 to 750: told from plugging, and closed when it is gone."""
    back = np.where((T >= FAULT) & (T < 750), 100.0, 0.0)
    words = trains.words(said(Cyclone(back=back).values()))
    assert [(w[1], w[3], w[4]) for w in words] == [
        ("reject-back-pressure", 600, None),
        ("reject-back-pressure", 600, 755),
    ]
    assert words[0][0] == 614


@pytest.mark.parametrize(("loss", "cause"), [(1.6, "inlet-plugging"), (0.6, "liner-wear")])
def test_inlet_plugging_and_liner_wear(loss: float, cause: str) -> None:
    """More, or less, pressure lost at equal flow: the inlet, or the liner."""
    drafts = said(Cyclone(loss=after(loss)).values())
    assert {d.cause for d in drafts} == {cause}
    assert drafts[0].onset - build.MINUTE0 == 600


@pytest.mark.parametrize("flow", [0.7, 1.3])
def test_flow_step_says_nothing(flow: float) -> None:
    """Flow a third down or up moves F and PDR by the two laws: silence."""
    assert said(Cyclone(flow=after(flow)).values()) == []


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_quiet_cyclone_says_nothing(seed: int) -> None:
    """Fifteen quiet hours: silence."""
    assert said(Cyclone().values(seed)) == []


def test_stop_says_nothing() -> None:
    """Stopped for two hours, flow and pressures zero: silence, and no reading of it is judged."""
    values = Cyclone().values()
    stopped = (T >= 600) & (T < 720)
    for role in ("inlet_flow", "reject_flow", "inlet_pressure", "outlet_pressure", "reject_pressure"):
        values["cyclone", role] = np.where(stopped, 0.0, values["cyclone", role])
    assert trains.said(PLUGIN, VIEW, "cyclone", values, running=~stopped) == []


def test_stairs_become_worse_once() -> None:
    """A quarter less passage, and a quarter again two hours later: opened medium, said again when severe."""
    drafts = said(Cyclone(passage=after(0.75) * np.where(T >= 720, 0.75, 1.0)).values())
    assert [(d.cause, d.severity) for d in drafts] == [("reject-plugging", "medium"), ("reject-plugging", "high")]
    assert {d.run_key for d in drafts} == {drafts[0].run_key}
    assert drafts[0].minute - build.MINUTE0 < 640
    assert 720 < drafts[1].minute - build.MINUTE0 < 760


def test_needs() -> None:
    """Flows or pressures will do; with neither nothing is watched."""
    assert PLUGIN.needs(VIEW.by_id["cyclone"], VIEW).weaker == ()
    flows = "\n      - {id: c, type: hydrocyclone, roles: {inlet_flow: FT-201, reject_flow: FT-203}}\n"
    view = build.skid(flows)
    assert "three pressures" in PLUGIN.needs(view.by_id["c"], view).weaker[0]
    view = build.skid("\n      - {id: c, type: hydrocyclone, roles: {inlet_flow: FT-201}}\n")
    assert PLUGIN.needs(view.by_id["c"], view).watched == frozenset()


@settings(max_examples=8, deadline=None)
@given(st.lists(st.integers(1, N - 1), max_size=6))
def test_cuts_do_not_matter(cuts: list[int]) -> None:
    """Cut anywhere, the same drafts."""
    values = Cyclone(passage=after(0.6)).values()
    assert said(values, cuts) == said(values)


@pytest.mark.parametrize(("role", "bias"), [("outlet_pressure", -80.0), ("reject_pressure", 60.0)])
def test_one_pressure_that_moves_alone_is_its_transmitter(role, bias) -> None:
    """An outlet or reject pressure that no other reading follows says nothing of the cyclone."""
    values = Cyclone().values()
    values["cyclone", role] = values["cyclone", role] + np.where(T >= FAULT, bias, 0.0)
    assert said(values) == []


def test_an_inlet_pressure_whose_zero_creeps_is_the_transmitter() -> None:
    """Up by 40 of 1000 kPa over five hours: sensor-drift of the tag, dated, and nothing of the cyclone."""
    values = Cyclone().values()
    creep = 40.0 * np.clip((T - 400) / 300.0, 0.0, 1.0)
    values["cyclone", "inlet_pressure"] = values["cyclone", "inlet_pressure"] + creep
    [draft] = said(values)
    assert (draft.kind, draft.unit, draft.severity) == ("sensor-drift", "PT-201", "low")
    assert draft.onset - build.MINUTE0 == pytest.approx(400, abs=60)
    assert said(values, [555, 601]) == [draft]


def test_which_pressure_is_wrong_by_hand() -> None:
    """600/400/260 kPa, 20 m³/h, 0.4 m³/h: 50 kPa too much on one reading is told of it; a plugged reject of none."""
    usual = {"inlet": 20.0, "reject": 0.4, "pin": 600.0, "pout": 400.0, "prej": 260.0}
    base = learn([Readings(minute=k, **usual) for k in range(5)])
    for name in ("pin", "pout", "prej"):
        zero = zero_of(Readings(minute=9, **{**usual, name: usual[name] + 50.0}), base)
        assert zero is not None
        assert (zero.of, zero.error) == (name, pytest.approx(50.0))
    for change in (
        {"reject": 0.2},
        {"pin": 700.0, "reject": 0.4 * sqrt(440.0 / 340.0)},
        {"prej": 350.0, "reject": 0.4 * sqrt(250.0 / 340.0)},
    ):
        assert zero_of(Readings(minute=9, **{**usual, **change}), base) is None


def test_a_reject_meter_that_reads_below_zero_ends_nothing() -> None:
    """Its reject closed, the meter's noise is below zero in some bins: they tell no scatter, the others do."""
    bins = [Readings(minute=k, inlet=20.0, reject=flow) for k, flow in enumerate((0.4, -0.01, 0.4, -0.02, 0.4))]
    base = learn(bins)
    assert (base.ratio, base.noise) == (pytest.approx(0.02), 0.0)


def test_a_feed_meter_that_moves_alone_is_no_worn_liner() -> None:
    """It reads a fifth too much while the pump turns as before; without the pump it would look as a worn liner does."""
    usual = {"inlet": 20.0, "reject": 0.4, "pin": 600.0, "pout": 400.0, "prej": 260.0}
    for partner, inlet in ((None, -2 * log(1.2)), (180.0, 0.0)):
        base = learn([Readings(minute=k, **usual, partner=partner) for k in range(5)])
        found = parts(Readings(minute=9, **{**usual, "inlet": 24.0}, partner=partner), base)
        assert found.inlet == pytest.approx(inlet)
