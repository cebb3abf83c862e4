"""Laboratory beside analyser: statistics against published examples, pairs and corrections by hand."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pyarrow as pa
import pytest
from scipy.optimize import least_squares

from analytics.agreement import bias, deming, moving_range_sigma
from analytics.charts import ewma
from analytics.lab import analyser_of, compare, corrected, corrections, pair, reader, since_calibration
from skidhand.fleet import parse_fleet, skid_view
from skidhand.model.entry_kinds import make_entry
from skidhand.model.samples import SAMPLES, micros
from skidhand.stores.base import Batch
from skidhand.stores.memory import MemoryStore
from tests.analytics.plant import T0

MINUTE = timedelta(minutes=1)
FLEET = """
version: 1
fleet: Tansy Flat reuse
owner: Tansy Flat Water
sites: [{id: tansy-4, name: Tansy 4 pad, timezone: America/Chicago}]
skids:
  - id: tf-skid-1
    name: Skid 1
    placements: [{site: tansy-4, from: 2026-01-15}]
    instruments:
      AT-201: {unit: "mg/L"}
      AT-202: {unit: "mg/L"}
      AT-302: {unit: "g/L", reporting: on_change}
    units:
      - {id: cyclone, type: hydrocyclone, roles: {inlet_oil: AT-201, outlet_oil: AT-202}}
      - {id: filter-a, type: media_filter, roles: {outlet_oil: AT-302}}
"""
SKID = skid_view(parse_fleet(FLEET).fleet.skid("tf-skid-1"))

PEARSON_X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
PEARSON_Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])


def lab(minute, value, *, point="cyclone", unit="mg/L", **more):
    """A result for oil that was sampled that many minutes after the start."""
    data = {"analyte": "oil", "value": value, "unit": unit, "sample_point": point, **more}
    return make_entry("lab", T0 + minute * MINUTE, "robin", skid="tf-skid-1", data=data)


def readings(**series):
    """A reader of (minute, value) lists by tag, as the store would give them."""

    def read(tag, start, end):
        rows = [(micros(T0 + m * MINUTE), v) for m, v in series.get(tag.replace("-", "_"), [])]
        rows = [(t, v) for t, v in rows if micros(start) <= t < micros(end)]
        return np.array([t for t, _ in rows], dtype=np.int64), np.array([v for _, v in rows], dtype=float)

    return read


def test_bias_is_the_published_one():
    """Bland & Altman, Lancet 327 (1986) 307: two peak flow meters, 17 people: -2.1 L/min, -22.0 to 17.8."""
    wright = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
    mini = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
    found = bias(np.array(wright, float), np.array(mini, float))
    assert (found.value, found.low, found.high) == pytest.approx((-2.1, -22.0, 17.8), abs=0.06)


def test_the_line_is_the_published_one():
    """K. Pearson, Phil. Mag. 2 (1901) 559: his example's line of closest fit, y = 5.784 - 0.546 x."""
    line = deming(PEARSON_Y, PEARSON_X)
    assert (line.slope.value, line.intercept.value) == pytest.approx((-0.546, 5.784), abs=5e-4)


@pytest.mark.parametrize("ratio", [0.25, 1.0, 9.0])
def test_the_line_is_where_both_errors_are_least(ratio):
    """The closed form agrees with a search for the line and the true values of the reference together."""

    def errors(unknown):
        slope, intercept, *true = unknown
        return np.concatenate([PEARSON_X - true, (PEARSON_Y - intercept - slope * np.array(true)) / np.sqrt(ratio)])

    found = least_squares(errors, [-0.5, 5.5, *PEARSON_X], xtol=1e-12, ftol=1e-12).x
    line = deming(PEARSON_Y, PEARSON_X, ratio=ratio)
    assert (line.slope.value, line.intercept.value) == pytest.approx(tuple(found[:2]), rel=1e-5)


def test_an_interval_holds_the_truth_as_often_as_it_says():
    """Of 300 comparisons of 20 pairs with errors in both, 92 to 98 % hold the true slope, bias and intercept."""
    rng = np.random.default_rng(5)
    held = []
    for _ in range(300):
        true = rng.uniform(5, 25, 20)
        reference, reading = true + rng.normal(0, 1, 20), 1.0 + 1.2 * true + rng.normal(0, 1, 20)
        line = deming(reading, reference)
        offset = bias(reference + 2.0 + rng.normal(0, 1, 20), reference)
        held.append((line.slope.holds(1.2), line.intercept.holds(1.0), offset.holds(2.0)))
    shares = np.mean(held, axis=0)
    assert np.all((shares >= 0.92) & (shares <= 0.98)), shares


def test_errors_in_the_laboratory_do_not_flatten_the_line():
    """Where both err alike, least squares reads a slope of 1 as 0.8 (var/(var + error²)), Deming's as 1."""
    rng = np.random.default_rng(1)
    true = rng.normal(20, 4, 4000)
    reference, reading = true + rng.normal(0, 2, 4000), true + rng.normal(0, 2, 4000)
    assert np.polyfit(reference, reading, 1)[0] == pytest.approx(0.8, abs=0.03)
    assert deming(reading, reference).slope.value == pytest.approx(1.0, abs=0.03)


def test_the_chart_is_the_published_one():
    """NIST/SEMATECH e-Handbook 6.3.2.4: 20 values, weight 0.3, centre 50, σ 2.0539: averages and 3 σ limits."""
    values = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
              49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip
    chart = ewma(np.array(values), centre=50.0, sigma=2.0539, weight=0.3, limit=3.0)
    told = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
            50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip
    assert chart.average == pytest.approx(told, abs=0.006)
    assert (chart.low[-1], chart.high[-1]) == pytest.approx((47.4115, 52.5884), abs=1e-3)
    assert chart.high[0] == pytest.approx(50 + 3 * 2.0539 * 0.3)  # of one value, the limits are its own
    assert not chart.out.any()


def test_the_default_limits_give_one_false_signal_in_500():
    """Lucas & Saccucci, Technometrics 32 (1990) 1: weight 0.2 and 2.962 σ, run length 500 in control; here ± 10 %
    (theirs are of constant limits; narrower ones at the start cost a little)."""
    rng = np.random.default_rng(3)
    lengths = [int(np.argmax(ewma(rng.normal(size=6000), centre=0.0, sigma=1.0).out)) + 1 for _ in range(1500)]
    assert np.mean(lengths) == pytest.approx(500, rel=0.1)


def test_sigma_does_not_see_a_drift():
    """Of noise 1 on a slow ramp of 20, the moving range finds 1, and the plain deviation six times that."""
    values = np.random.default_rng(2).normal(size=2000) + np.linspace(0, 20, 2000)
    assert moving_range_sigma(values) == pytest.approx(1.0, rel=0.05)
    assert np.std(values) > 5


@pytest.mark.parametrize(
    "call",
    [
        lambda: bias(np.ones(2), np.ones(2)),
        lambda: bias(np.ones(3), np.ones(4)),
        lambda: deming(PEARSON_Y, PEARSON_X, ratio=0.0),
        lambda: deming(PEARSON_Y, np.full(10, 3.0)),
        lambda: ewma(np.ones(3), centre=0.0, sigma=0.0),
        lambda: moving_range_sigma(np.ones(1)),
    ],
)
def test_what_cannot_be_told_is_an_error(call):
    """Too few pairs, unequal lengths, no variation, no noise: ValueError, and never a figure."""
    with pytest.raises(ValueError, match=r"\w"):
        call()


@pytest.mark.parametrize(
    ("analyte", "point", "tag"),
    [("oil", "cyclone", "AT-202"), ("oil", "AT-201", "AT-201"), ("oil", "filter-a", "AT-302"),
     ("oil", "", None), ("turbidity", "cyclone", None), ("turbidity", "AT-202", None), ("iron", "cyclone", None)],
)  # fmt: skip
def test_which_analyser_a_sample_belongs_to(analyte, point, tag):
    """A unit's sample is of the water that leaves it; a tag names its own; another quantity's instrument never is."""
    assert analyser_of(SKID, analyte, point) == tag


def test_a_pair_is_the_median_around_the_sampling():
    """Readings within 10 minutes either side count, the median takes no heed of one wild, units are the analyser's."""
    read = readings(AT_202=[(49, 99.0), (50, 10.0), (55, 11.0), (60, 12.0), (65, 500.0), (69, 13.0), (71, 99.0)])
    entry = lab(90, 0.0125, unit="g/L", sampled=(T0 + 60 * MINUTE).isoformat())
    (found,), alone = pair([entry], SKID, read)
    assert (found.tag, found.lab, found.reading, found.samples, found.unit) == ("AT-202", 12.5, 12.0, 5, "mg/L")
    assert (found.at, alone) == (T0 + 60 * MINUTE, [])


def test_an_on_change_value_stands_until_the_next():
    """The value before the window counts where the instrument speaks only of changes, for an hour, and else not."""
    early = [(45, 0.010)]
    (found,), _ = pair([lab(60, 10.0, point="filter-a")], SKID, readings(AT_302=early))
    assert (found.lab, found.reading, found.samples) == (0.010, 0.010, 1)
    assert pair([lab(60, 10.0)], SKID, readings(AT_202=[(45, 10.0)]))[0] == []
    assert pair([lab(200, 10.0, point="filter-a")], SKID, readings(AT_302=early))[0] == []


@pytest.mark.parametrize(
    ("entry", "why"),
    [
        (lab(60, 10.0), "no good reading of AT-202 within 10 min"),
        (lab(60, 10.0, less_than=True), "below the detection limit"),
        (lab(60, 10.0, unit="[ppm]"), "by mass or by volume"),
        (lab(60, 10.0, point=""), "nobody named"),
    ],
)
def test_a_result_without_a_partner_says_why(entry, why):
    """What cannot be compared is told with its reason and never guessed."""
    pairs, (alone,) = pair([entry], SKID, readings())
    assert (pairs, alone.entry, why in alone.why) == ([], entry.id, True)


def test_only_good_samples_of_the_store_are_read():
    """Uncertain and Bad samples take no part in a pair."""
    store = MemoryStore()
    said = [(58, 12.0, 0), (60, 90.0, 0x40000000), (61, None, 0x80000000), (62, 14.0, 0)]
    times = [T0 + minute * MINUTE for minute, *_ in said]
    rows = {"series": ["tf-skid-1/AT-202"] * 4, "time": times, "value": [value for _, value, _ in said],
            "quality": [quality for *_, quality in said], "received": times}  # fmt: skip
    store.write(Batch("w", 1, "d", pa.table(rows, schema=SAMPLES)))
    (found,), _ = pair([lab(60, 10.0)], SKID, reader(store, "tf-skid-1"))
    assert (found.reading, found.samples) == (13.0, 2)


def pairs_of(lab_values, readings_then, first=0):
    """Pairs of the cyclone's analyser, a day apart."""
    entries = [lab(first + 1440 * i, float(value)) for i, value in enumerate(lab_values)]
    rows = [(first + 1440 * i, float(value)) for i, value in enumerate(readings_then)]
    return pair(entries, SKID, readings(AT_202=rows))[0]


def story(n=20, seed=4, slope=1.3, intercept=2.0):
    """Values of the laboratory, and readings of an analyser that is off by that line."""
    rng = np.random.default_rng(seed)
    true = rng.uniform(5, 30, n)
    return true + rng.normal(0, 0.3, n), intercept + slope * true + rng.normal(0, 0.3, n)


def test_a_correction_gives_back_what_the_laboratory_would_say():
    """reading = 2 + 1.3 x: corrected within the noise, NaN beyond what was compared, and raw left as it was."""
    given = compare(pairs_of(*story())).correction
    assert given is not None
    raw = np.array([2.0 + 1.3 * 10, 2.0 + 1.3 * 20, 500.0, np.nan])
    before = raw.copy()
    out = corrected(raw, given)
    assert out[:2] == pytest.approx([10.0, 20.0], abs=0.3)
    assert np.isnan(out[2:]).all()
    np.testing.assert_array_equal(raw, before)


def test_a_correction_names_its_version():
    """Equal pairs give the version again; one pair more gives another."""
    values, then = story()
    pairs = pairs_of(values, then)
    one, again, fewer = (compare(some).correction for some in (pairs, list(pairs), pairs[:-1]))
    assert one.version == again.version != fewer.version
    assert one.version.startswith("1.")


@pytest.mark.parametrize(
    ("values", "then"),
    [
        story(slope=1.0, intercept=0.0),  # nothing to correct
        story(n=9),  # too few
        (np.full(12, 10.0), np.full(12, 10.0) + np.arange(12)),  # no line
        (np.random.default_rng(1).normal(10, 1, 12), np.random.default_rng(2).normal(15, 1, 12)),  # not surely rising
    ],
)
def test_no_correction_without_a_reason(values, then):
    """An analyser that agrees, too few pairs, or no sure line: no correction is told."""
    assert compare(pairs_of(values, then)).correction is None


def test_the_chart_shows_when_an_analyser_begins_to_drift():
    """Twenty pairs of noise are in control; a lens that fouls, reading 3 % more each time, leaves the limits soon."""
    rng = np.random.default_rng(6)
    values = rng.uniform(10, 20, 40)
    noise = np.exp(rng.normal(0, 0.05, 40))
    drift = np.concatenate([np.ones(20), 1.03 ** np.arange(1, 21)])
    chart = compare(pairs_of(values, values * noise * drift)).chart
    assert not chart.out[:20].any()
    assert chart.out[26:].all()


def test_a_calibration_begins_anew():
    """Pairs before the analyser's last calibration no longer count; another instrument's does not matter."""
    pairs = pairs_of([10.0, 11.0, 12.0], [10.0, 11.0, 12.0])
    done = make_entry("calibration", T0 + 1000 * MINUTE, "robin", skid="tf-skid-1", data={"tag": "AT-202"})
    other = make_entry("calibration", T0 + 5000 * MINUTE, "robin", skid="tf-skid-1", data={"tag": "AT-201"})
    assert since_calibration(pairs, [done, other]) == pairs[1:]


def test_analysers_are_not_mixed():
    """Pairs of two analysers are no comparison."""
    two = pair([lab(60, 10.0), lab(60, 10.0, point="AT-201")], SKID, readings(AT_202=[(60, 1.0)], AT_201=[(60, 2.0)]))
    with pytest.raises(ValueError, match="AT-201, AT-202"):
        compare(two[0])


def test_a_skid_s_corrections_rest_on_what_followed_the_calibration():
    """Results before it do not count and it is where the correction begins; another skid's results never do."""
    values, read = story()
    series = readings(AT_202=[(1440 * i, float(v)) for i, v in enumerate(read)])
    entries = [lab(1440 * i, float(v)) for i, v in enumerate(values)]
    calibrated = make_entry("calibration", T0 + 4 * 1440 * MINUTE, "r", skid="tf-skid-1", data={"tag": "AT-202"})
    found = corrections([*entries, calibrated], SKID, series)
    assert (found["AT-202"].pairs, found["AT-202"].since) == (15, calibrated.at)
    assert corrections(entries, SKID, series)["AT-202"].since is None
    assert corrections(entries[:9], SKID, series) == {}
    foreign = [entry.model_copy(update={"skid": "tf-skid-2"}) for entry in entries]
    assert corrections(foreign, SKID, series) == {}
