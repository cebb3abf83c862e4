"""Cleaning: what each flag means, that nothing good is lost, and that cuts do not matter."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.blocks import clean_block
from analytics.carry import Carry
from analytics.cleaning import HOLD_ON_CHANGE, SILENCE, rules_of
from analytics.frame import Block, Flag
from analytics.frozen import WINDOW
from analytics.grid import rows_of
from analytics.masks import SETTLE
from analytics.spikes import find_spikes, hampel_score, spike_height
from skidhand.model.quality import BAD, UNCERTAIN
from skidhand.units import convert
from tests.analytics.plant import FLEET, MINUTE0, samples, steady, view

SKID = view()


def block(series, minutes, carry=None, start=0):
    """The block of the first ``minutes`` of ``series``."""
    rows = rows_of(samples(series), "sk-1", rules_of(SKID).tags)
    chosen = rows.take((rows.minute >= MINUTE0 + start) & (rows.minute < MINUTE0 + minutes))
    return clean_block(SKID, chosen, MINUTE0 + start, MINUTE0 + minutes, carry)


def test_values_come_in_the_role_s_unit():
    """Psi become kPa, gpm m³/h, °F °C, and ppm by volume mg/L by the oil's density; scatter has no offset."""
    got, _ = block(steady(1), 60)
    assert got.channels["filter-a", "dp"].value.mean() == pytest.approx(convert(4, "[psi]", "kPa"), rel=0.01)
    assert got.channels["filter-a", "flow"].value.mean() == pytest.approx(38 * 0.22712470704, rel=0.01)
    assert got.channels["filter-a", "temperature"].value.mean() == pytest.approx(25.0, abs=0.05)
    assert got.channels["filter-a", "temperature"].std.mean() == pytest.approx(0.1 / 1.8, rel=0.3)
    # 141.5/(131.5 + 38) × 0.999016 g/mL, the definition of API gravity (ASTM D1250)
    assert got.channels["tank", "outlet_oil"].value[0] == pytest.approx(100 * 141.5 / 169.5 * 0.999016)


def test_bad_samples_are_left_out_and_uncertain_ones_flagged():
    """A Bad sample counts for nothing, an Uncertain one is used and said, a minute of only Bad ones is a gap."""
    series = steady(1)
    series["PDT-1"][0] = (0.0, None, BAD)
    series["PDT-1"][6:12] = [(60.0 + 10 * i, None, BAD) for i in range(6)]
    series["PDT-1"][12] = (120.0, 4.0, UNCERTAIN)
    dp = block(series, 60)[0].channels["filter-a", "dp"]
    assert dp.count[:4].tolist() == [5, 0, 6, 6]
    assert [Flag(int(f)) for f in dp.flags[:4]] == [Flag(0), Flag.GAP, Flag.UNCERTAIN, Flag(0)]
    assert dp.usable[:4].tolist() == [True, False, True, True]
    assert np.isnan(dp.value[1])


def test_a_gap_stays_a_gap_for_a_periodic_instrument():
    """No value is invented where a periodic instrument was silent."""
    series = steady(1)
    series["PDT-1"] = [row for row in series["PDT-1"] if not 600 <= row[0] < 900]
    dp = block(series, 60)[0].channels["filter-a", "dp"]
    assert np.flatnonzero(dp.flags & Flag.GAP).tolist() == list(range(10, 15))


def test_on_change_values_are_held_while_the_skid_speaks():
    """The last value stands, flagged HELD; a silence of the whole skid is a gap, and makes it doubtful after."""
    series = steady(2)
    cut = {tag: [r for r in rows if not 3600 <= r[0] < 3600 + 60 * (SILENCE + 5)] for tag, rows in series.items()}
    oil = block(cut, 120)[0].channels["tank", "outlet_oil"]
    assert oil.flags[0] == 0
    assert (oil.flags[1:50] == Flag.HELD).all()
    assert oil.value[55] == pytest.approx(104.0 * oil.value[0] / 100.0)
    assert (oil.flags[60 : 60 + SILENCE + 5] == Flag.GAP).all()
    assert (oil.flags[60 + SILENCE + 5 :] == Flag.HELD | Flag.UNCERTAIN).all()
    assert oil.usable[80]


def test_holding_ends_with_a_bad_sample_and_with_time():
    """Bad ends what stood before it; nothing stands longer than a day without a word."""
    series = steady(1)
    series["AT-1"] = [(0.0, 100.0, 0), (600.0, None, BAD)]
    oil = block(series, 60)[0].channels["tank", "outlet_oil"]
    assert (oil.flags[1:10] == Flag.HELD).all()
    assert (oil.flags[10:] == Flag.GAP).all()
    long = steady(26, step=60.0)
    long["AT-1"] = [(0.0, 100.0, 0)]
    oil = block(long, 26 * 60)[0].channels["tank", "outlet_oil"]
    assert np.flatnonzero(oil.flags & Flag.GAP)[0] == HOLD_ON_CHANGE + 1


def test_out_of_range_values_are_shown_but_never_usable():
    """Beyond 3.8 mA (NAMUR NE 43) a value is out of range; less than that is still measured."""
    series = steady(1)
    series["PDT-1"][6:12] = [(60.0 + 10 * i, 35.0, 0) for i in range(6)]
    series["PDT-1"][12:18] = [(120.0 + 10 * i, -0.3, 0) for i in range(6)]
    dp = block(series, 60)[0].channels["filter-a", "dp"]
    assert dp.flags[1] == Flag.RANGE
    assert dp.value[1] == pytest.approx(convert(35, "[psi]", "kPa"))
    assert not dp.usable[1]
    assert dp.usable[2]


def test_a_spike_is_left_out_and_a_step_is_not():
    """One wild sample does not move its minute's mean; a lasting step passes, late by at most one sample."""
    series = steady(1)
    series["PDT-1"][62] = (620.0, 20.0, 0)
    series["PDT-1"][125:] = [(s, v + 4.0, q) for s, v, q in series["PDT-1"][125:]]
    dp = block(series, 60)[0].channels["filter-a", "dp"]
    assert dp.count[10] == 5
    assert dp.value[10] == pytest.approx(convert(4, "[psi]", "kPa"), rel=0.05)
    assert dp.count[20:].sum() >= 6 * 40 - 1
    assert dp.value[30] == pytest.approx(convert(8, "[psi]", "kPa"), rel=0.05)
    assert (dp.flags == 0).all()


def test_quiet_noise_is_not_called_spikes():
    """Of 20,000 Gaussian samples fewer than one in a thousand is taken for a spike."""
    values = np.random.default_rng(3).standard_normal(20_000)
    n = np.arange(20_000)
    assert find_spikes(n * 0, n // 6, values, np.array([0.01])).sum() < 20


def test_spike_height_agrees_with_qartod():
    """Flags by height (suspect 1, fail 3) equal those of the reference QARTOD code, ioos_qc 3.0.0."""
    x = np.array([10, 10.1, 10.2, 14, 10.3, *[10.2] * 7, 25, -3])
    height = spike_height(x[:-2], x[1:-1], x[2:])
    flags = np.select([height > 3, height > 1], [4, 3], 1).tolist()
    assert flags == [1, 3, 4, 3, 1, 1, 1, 1, 1, 1, 4, 4]


def test_hampel_score_by_hand():
    """Window 1, 1.1, .9, 1, 10, 1.05, .95: median 1, scaled MAD 0.07413, so 10 scores 121; a floor caps it."""
    window = np.array([[1, 1.1, 0.9, 1, 10, 1.05, 0.95]])
    assert hampel_score(window, np.array([10.0]), np.array([0.0]))[0] == pytest.approx(9 / 0.0741301109, rel=1e-6)
    flat = np.array([[2.0, 2.0, 2.0, 2.1, 2.0]])
    assert hampel_score(flat, np.array([2.1]), np.array([0.05]))[0] == pytest.approx(2.0)


def test_a_frozen_reading_is_flagged_once_it_has_stood_long_enough():
    """A lively instrument that stops to the last digit while its partners move is FROZEN after the window."""
    series = steady(6)
    at = 3 * 360
    series["PDT-1"][at:] = [(s, 4.05, 0) for s, _, _ in series["PDT-1"][at:]]
    dp = block(series, 360)[0].channels["filter-a", "dp"]
    stuck = np.flatnonzero(dp.flags & Flag.FROZEN)
    assert stuck.tolist() == list(range(180 + WINDOW, 360))
    others = [c for key, c in block(series, 360)[0].channels.items() if key != ("filter-a", "dp")]
    assert not any((c.flags & Flag.FROZEN).any() for c in others)


def drop_flags(series, minutes, reporting=None):
    """Flags of the filter's drop, whose instrument reports as it does in the fleet file, or as told."""
    usual = "range: [0, 30], reporting: periodic, period: 10"
    assert usual in FLEET
    skid = view(FLEET.replace(usual, f"range: [0, 30], {reporting}") if reporting else FLEET)
    rows = rows_of(samples(series), "sk-1", rules_of(skid).tags)
    return clean_block(skid, rows, MINUTE0, MINUTE0 + minutes)[0].channels["filter-a", "dp"].flags


@pytest.mark.parametrize("reporting", ["reporting: on_change", "period: 10, reduce: {deadband: 0.2}"])
def test_who_speaks_of_changes_does_not_freeze(reporting):
    """The same stand of an instrument that reports on change, or is thinned out, means "the same" and is no fault."""
    series = steady(5)
    series["PDT-1"] = [(s, 4.321 if s >= 3 * 3600 else v, q) for s, v, q in series["PDT-1"]]
    assert np.any(drop_flags(series, 300) & int(Flag.FROZEN))
    assert not np.any(drop_flags(series, 300, reporting) & int(Flag.FROZEN))


def test_a_thinned_value_stands_for_three_of_its_intervals():
    """With max_interval 120 s a value stands for six minutes and no longer; without thinning it does not stand."""
    series = steady(1)
    series["PDT-1"] = [row for row in series["PDT-1"] if row[0] < 600]
    held = drop_flags(series, 60, "period: 10, reduce: {deadband: 0.2, max_interval: 120}") & int(Flag.HELD)
    assert np.flatnonzero(held).tolist() == list(range(10, 16))
    assert not np.any(drop_flags(series, 60) & int(Flag.HELD))


def test_standing_still_together_is_not_frozen():
    """When the skid has stopped and everything stands, nothing is frozen; nor is a flow cut off at zero."""
    series = steady(6)
    for tag, value in (("FT-1", 0.0), ("PDT-1", 0.4), ("TT-1", 77.0)):
        series[tag][1080:] = [(s, value, 0) for s, _, _ in series[tag][1080:]]
    got, _ = block(series, 360)
    assert not any((c.flags & Flag.FROZEN).any() for c in got.channels.values())


def test_running_washing_and_settling():
    """Running follows flow against 30 % of design; the state marks the wash; minutes after each are settling."""
    series = steady(4)
    series["FT-1"] = [(s, 5.0 if 3600 <= s < 5400 else v, q) for s, v, q in series["FT-1"]]
    series["XS-1"] += [(7200.0, 1.0, 0), (8100.0, 0.0, 0)]
    got, _ = block(series, 240)
    assert np.flatnonzero(~got.running).tolist() == list(range(60, 90))
    assert np.flatnonzero(got.washing["filter-a"]).tolist() == list(range(120, 135))
    expected = {m for edge in (60, 90, 120, 135) for m in range(edge, edge + SETTLE)}
    assert set(np.flatnonzero(got.settling).tolist()) == expected


def test_a_wash_without_a_signal_is_inferred_from_the_collapse_of_resistance():
    """Without a backwash signal the third minute at less than half the resistance marks the new run, once."""
    quiet = view(_without_wash_signal())
    series = steady(3)
    del series["XS-1"]
    series["PDT-1"] = [(s, v + 8.0 if s < 5400 else v, q) for s, v, q in series["PDT-1"]]
    rows = rows_of(samples(series), "sk-1", rules_of(quiet).tags)
    got, _ = clean_block(quiet, rows, MINUTE0, MINUTE0 + 180)
    assert np.flatnonzero(got.washing["filter-a"]).tolist() == [92]


def _without_wash_signal():
    from tests.analytics.plant import FLEET

    return FLEET.replace(", backwash: XS-1}", "}").replace(
        '      XS-1: {unit: "1", states: {0: service, 1: backwash}, reporting: on_change}\n', ""
    )


def assert_equal_blocks(whole: Block, parts: list[Block]):
    """Every array of the parts, laid end to end, equals the whole's."""
    for key, channel in whole.channels.items():
        for name in ("value", "low", "high", "std", "count", "flags"):
            joined = np.concatenate([getattr(part.channels[key], name) for part in parts])
            np.testing.assert_array_equal(joined, getattr(channel, name), err_msg=f"{key} {name}")
    for name in ("minutes", "running", "settling"):
        np.testing.assert_array_equal(np.concatenate([getattr(p, name) for p in parts]), getattr(whole, name))
    for unit, mask in whole.washing.items():
        np.testing.assert_array_equal(np.concatenate([p.washing[unit] for p in parts]), mask)


MINUTES = 300


@st.composite
def messy(draw):
    """Four hours of a skid with everything that goes wrong, at places that hypothesis picks."""
    rng = np.random.default_rng(draw(st.integers(0, 2**16)))
    series = steady(MINUTES / 60, seed=draw(st.integers(0, 99)), step=draw(st.sampled_from([10.0, 37.0, 60.0])))
    for tag in ("FT-1", "PDT-1", "TT-1"):
        rows = series[tag]
        for i in rng.choice(len(rows), 8, replace=False):
            s, v, q = rows[i]
            rows[i] = [(s, None, BAD), (s, v * 4, q), (s, v, UNCERTAIN), (s, 1e4, q)][rng.integers(0, 4)]
        a, b = sorted(rng.integers(0, len(rows), 2))
        change = draw(st.sampled_from(["freeze", "gap", "step", "zero", "none"]))
        if change == "freeze":
            rows[a:b] = [(s, rows[a][1], 0) for s, _, _ in rows[a:b]]
        elif change == "gap":
            del rows[a:b]
        elif change == "step":
            rows[a:b] = [(s, None if v is None else v * 0.3, q) for s, v, q in rows[a:b]]
        elif change == "zero":
            rows[a:b] = [(s, 0.0, 0) for s, _, _ in rows[a:b]]
    times = sorted(rng.integers(0, MINUTES * 60, 6).tolist())
    series["XS-1"] = [(float(t), float(i % 2), 0) for i, t in enumerate(times)]
    if draw(st.booleans()):
        quiet = draw(st.integers(0, MINUTES * 60))
        series = {tag: [r for r in rows if not quiet <= r[0] < quiet + 1500] for tag, rows in series.items()}
    return series


@settings(max_examples=60, deadline=None)
@given(messy(), st.lists(st.integers(1, MINUTES - 1), max_size=12, unique=True), st.booleans())
def test_cutting_the_minutes_differently_changes_nothing(series, cuts, signal):
    """Any cut into blocks, with the carry through JSON between them, gives arrays equal to the last bit."""
    skid = SKID if signal else view(_without_wash_signal())
    rows = rows_of(samples(series), "sk-1", rules_of(skid).tags)
    whole, _ = clean_block(skid, rows, MINUTE0, MINUTE0 + MINUTES)
    parts, carry = [], Carry()
    for a, b in pairwise([0, *sorted(cuts), MINUTES]):
        here = rows.take((rows.minute >= MINUTE0 + a) & (rows.minute < MINUTE0 + b))
        part, carry = clean_block(
            skid, here, MINUTE0 + a, MINUTE0 + b, Carry.model_validate_json(carry.model_dump_json())
        )
        parts.append(part)
    assert_equal_blocks(whole, parts)


def test_rows_of_sorts_and_drops_foreign_series():
    """Rows come by tag and time whatever the table's order; another skid's and unknown tags are left out."""
    table = samples({"FT-1": [(20.0, 2.0, 0), (10.0, 1.0, 0)], "ZZ-9": [(0.0, 9.0, 0)]})
    rows = rows_of(table, "sk-1", ("AT-1", "FT-1"))
    assert rows.tag.tolist() == [1, 1]
    assert rows.value.tolist() == [1.0, 2.0]
    assert len(rows_of(table, "sk-2", ("FT-1",))) == 0
    assert len(rows_of(table.slice(0, 0), "sk-1", ("FT-1",))) == 0
