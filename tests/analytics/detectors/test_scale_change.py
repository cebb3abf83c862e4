"""Jumps of a reading that are another scale or zero, and those that are the plant."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.detectors.scale_change import PLUGIN
from tests.analytics.detectors import build

N, AT = 240, 120
UNITS = """
      - id: tank
        type: weir_tank
        roles: {inlet_flow: FT-100, level: LT-110}
      - id: cyclone
        type: hydrocyclone
        roles: {inlet_flow: FT-201, inlet_pressure: PT-201, outlet_pressure: PT-202}
"""
VIEW = build.skid(UNITS)


def said(unit, values, stds):
    """Drafts about a unit of whose readings these are given, the others steady."""
    rng = np.random.default_rng(3)
    usual = {"inlet_flow": 20.0, "inlet_pressure": 50.0, "outlet_pressure": 30.0, "level": 1.5}
    whole = {(u.id, role): usual[role] + 0.01 * rng.standard_normal(N) for u in VIEW.units for role in u.tags}
    whole |= {(unit, role): one for role, one in values.items()}
    noise = {(u.id, role): np.full(N, 0.02) for u in VIEW.units for role in u.tags}
    noise |= {(unit, role): one for role, one in stds.items()}
    return build.run(PLUGIN, VIEW, unit, build.block(VIEW, whole, stds=noise), ())[1]


def after(before, then, *, until=N):
    """``before``, and ``then`` from the jump to ``until``."""
    t = np.arange(N)
    return np.where((t >= AT) & (t < until), then, before)


@pytest.mark.parametrize(("code", "kpa"), [("[psi]", 6.894757), ("bar", 100.0)])
def test_another_unit_of_pressure_is_told(code, kpa):
    """Reading and noise by the factor between two units (UCUM's definitions), nothing else: said, named and dated."""
    value = after(50.0, 50.0 / kpa) * (1 + 1e-4 * np.random.default_rng(1).standard_normal(N))
    [draft] = said("cyclone", {"inlet_pressure": value}, {"inlet_pressure": after(0.2, 0.2 / kpa)})
    assert (draft.kind, draft.unit, draft.onset - build.MINUTE0) == ("scale-change", "PT-201", AT - 1)
    assert draft.minute - build.MINUTE0 == AT + 10
    assert code in draft.ruled_out[0].why


def test_a_pressure_that_falls_with_its_noise_unchanged_is_the_plant():
    """By a seventh, but as restless as before: no other unit."""
    value = after(50.0, 50.0 / 6.894757)
    assert said("cyclone", {"inlet_pressure": value}, {"inlet_pressure": np.full(N, 0.2)}) == []


def test_pressures_that_fall_together_are_the_plant():
    """Both pressures of the cyclone by the same factor at once: the plant, whatever the noise."""
    values = {role: after(50.0, 50.0 / 6.894757) for role in ("inlet_pressure", "outlet_pressure")}
    stds = {role: after(0.2, 0.2 / 6.894757) for role in values}
    assert said("cyclone", values, stds) == []


def test_a_level_zeroed_anew_is_told_and_ends_when_it_is_put_right():
    """A tank's level jumps by a tenth of its range and back an hour later: opened once, ended at the way back."""
    opened, ended = said("tank", {"level": after(1.5, 1.8, until=AT + 60)}, {})
    assert (opened.ended, opened.unit) == (None, "LT-110")
    assert ended.ended - build.MINUTE0 == pytest.approx(AT + 60, abs=1)


@pytest.mark.parametrize("level", [0.0, 1.5])
def test_a_level_that_comes_once_a_minute_is_told_too(level):
    """Without noise, of an empty tank or a full one, zeroed anew and put right: both are told, no noise is shown."""
    opened, ended = said("tank", {"level": after(level, level + 0.5, until=AT + 60)}, {"level": np.zeros(N)})
    assert {one.name for one in opened.evidence.numbers} == {"reading_before", "reading_after"}
    assert (opened.ended, ended.ended) == (None, build.MINUTE0 + AT + 59)


def test_a_level_that_rises_over_minutes_is_the_plant():
    """The same tenth within ten minutes: a slug, no zero."""
    t = np.arange(N)
    assert said("tank", {"level": 1.5 + 0.3 * np.clip((t - AT) / 10.0, 0.0, 1.0)}, {}) == []


def test_a_reading_that_leaves_its_range_at_the_new_scale_is_told():
    """400 of 1000 kPa would be 1606 inches of water: held at 103.1 % without noise, and told."""
    noise = np.where(np.arange(N) >= AT, 0.0, 0.2)
    [draft] = said("cyclone", {"inlet_pressure": after(400.0, 1031.0)}, {"inlet_pressure": noise})
    assert draft.unit == "PT-201"
    assert "range cannot show" in draft.ruled_out[0].why


@pytest.mark.parametrize("failed", [1062.5, -25.0])
def test_a_failed_transmitter_is_no_scale(failed):
    """Beyond 21 mA or below 3.6 mA it tells of its own failure (NAMUR NE 43): another detector's."""
    noise = np.where(np.arange(N) >= AT, 0.0, 0.2)
    assert said("cyclone", {"inlet_pressure": after(400.0, failed)}, {"inlet_pressure": noise}) == []


def test_a_stop_is_no_way_back():
    """Held at 103.1 % it falls to nothing with its partner: the skid stopped, the scale is still wrong."""
    t, noise = np.arange(N), np.where(np.arange(N) >= AT, 0.0, 0.2)
    stops = AT + 60
    values = {
        "inlet_pressure": np.where(t >= stops, 0.5, after(400.0, 1031.0)),
        "outlet_pressure": np.where(t >= stops, 0.5, 30.0),
    }
    assert [draft.ended for draft in said("cyclone", values, {"inlet_pressure": noise})] == [None]


def test_a_clock_that_is_set_makes_no_zero():
    """Minutes that a clock an hour ahead stamped, beside those after it was set right: the level need not fit."""
    level = {("tank", "level"): after(1.5, 1.8), ("tank", "inlet_flow"): np.full(N, 20.0)}
    stds = {key: np.full(N, 0.02) for key in level}
    block = build.block(VIEW, level, stds=stds, lag=after(-60.0, 0.0))
    assert build.run(PLUGIN, VIEW, "tank", block)[1] == []


def test_a_reading_at_its_end_while_the_flow_goes_is_the_plant():
    """Held at 103.1 % in the minutes in which the feed dries up: what it reads in standing water means nothing."""
    noise = np.where(np.arange(N) >= AT, 0.0, 0.2)
    dries = 20.0 * np.clip(1.0 - (np.arange(N) - AT + 8) / 8.0, 0.0, 1.0)
    values = {"inlet_pressure": after(400.0, 1031.0), "inlet_flow": dries}
    assert said("cyclone", values, {"inlet_pressure": noise}) == []
