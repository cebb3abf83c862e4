"""Report figures: meters that roll over and are reset, gaps, late data, and the same digits as the export."""

from __future__ import annotations

import csv
import io
from datetime import timedelta
from itertools import pairwise
from math import fsum
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.export import Request, export
from analytics.report import figures_of
from analytics.report_document import tables
from analytics.report_figures import Figures
from analytics.report_lines import lines, percent, quality_title
from analytics.report_meter import GAP_S, steps_of
from analytics.report_words import ReportWords
from skidhand.stores.base import Batch
from skidhand.stores.memory import MemoryStore
from tests.analytics.plant import T0, fleet, samples, view

TEXT = """
version: 1
fleet: Tansy Flat reuse
sites:
  - {id: tansy-4, name: Tansy 4 pad, timezone: America/Chicago}
skids:
  - id: sk-1
    name: Skid 1
    placements: [{site: tansy-4, from: 2026-01-01}]
    design_flow: 40
    flow_unit: "[gal_us]/min"
    instruments:
      FT-1: {unit: "[gal_us]/min", range: [0, 80], period: 60}
      FQT-1: {unit: "[bbl_us]", total: true, rollover: 1000, period: 60}
      FQT-2: {unit: "[bbl_us]", total: true, period: 60}
      AT-1: {unit: "mg/L", range: [0, 500], period: 60}
      AT-2: {unit: "mg/L", range: [0, 500], period: 60}
      XS-1: {unit: "1", states: {0: out, 1: back}, period: 60}
    units:
      - {id: tank, type: weir_tank, roles: {inlet_total: FQT-2, outlet_oil: AT-1}}
      - {id: outlet, type: outlet, roles: {flow: FT-1, total: FQT-1, oil: AT-2, divert: XS-1}}
    spec: {oil: {limit: 20, unit: "mg/L", basis: 1h}}
"""
HOURS = 6
DAY = timedelta(hours=HOURS)


def plant():
    """Six hours: 1 bbl a minute, a rollover, a gap of an hour, 30 minutes diverted, 20 above the limit."""
    rng = np.random.default_rng(3)
    minute = np.arange(-10, HOURS * 60)
    seconds = minute * 60.0
    oil = np.where((minute >= 200) & (minute < 220), 25.0, 12.0) + rng.random(len(minute))
    heard = (minute < 60) | (minute >= 120)

    def rows(values):
        return [(float(s), float(v), 0) for s, v, ok in zip(seconds, values, heard, strict=True) if ok]

    return {
        "FT-1": rows(42.0 + 0.2 * rng.standard_normal(len(minute))),
        "FQT-1": rows((950.0 + minute * 1.0) % 1000.0),
        "FQT-2": rows(5000.0 + minute * 1.25),
        "AT-1": rows(100.0 + rng.random(len(minute))),
        "AT-2": rows(oil),
        "XS-1": rows(np.where((minute >= 240) & (minute < 270), 1.0, 0.0)),
    }


@pytest.fixture(scope="module")
def store():
    """The plant's samples."""
    made = MemoryStore()
    made.write(Batch("w", 1, "x", samples(plant())))
    return made


def figures(store, start=T0, end=T0 + DAY):
    """The report of sk-1."""
    return figures_of(store, view(TEXT), start, end, site="tansy-4", zone=ZoneInfo("America/Chicago"))


def exported(store, *names, **request):
    """Rows of an export as the standard reader has them."""
    out = io.BytesIO()
    request = {"skid": "sk-1", "start": T0, "end": T0 + DAY, "names": names, **request}
    export(store, fleet(TEXT), Request(**request), format="csv", out=out)
    return list(csv.DictReader(io.StringIO(out.getvalue().decode(), newline="")))


def test_lines_add_up(store):
    """Every barrel stands on one line: as it should be, in the gap, diverted, off specification, or not judged."""
    treated = figures(store).treated
    assert treated.total == 360.0
    assert (treated.in_gap, treated.diverted) == (61.0, 30.0)
    assert (treated.off_spec, treated.unjudged) == (19.0, 2.0)  # the first minutes of the leap and of the fall: spikes
    assert treated.plain == 360.0 - 61.0 - 30.0 - 19.0 - 2.0
    assert (treated.rollovers, treated.resets) == (1, 0)
    assert treated.integrated == pytest.approx(300.0, rel=0.01)
    assert treated.integrated_share == pytest.approx(300 / 360)


def test_figures_reconcile_with_the_export_to_the_last_digit(store):
    """Who sums the exported file comes to the very same floats as the report."""
    told = figures(store)
    raw = exported(store, "FQT-1", start=T0 - timedelta(minutes=10))
    readings = [float(row["value"]) for row in raw]
    before = max(i for i, row in enumerate(raw) if row["time"] < f"{T0:%Y-%m-%dT%H:%M}")
    steps = [b - a if b >= a else b - a + 1000.0 for a, b in pairwise(readings[before:])]
    assert fsum(steps) == told.treated.total
    minutes = exported(store, "AT-1", "AT-2", "FT-1", stage="cleaned")
    by = {name: [r["value"] for r in minutes if r["series"] == name] for name in ("AT-1", "AT-2", "FT-1")}
    known = [float(v) for v in by["AT-2"] if v]
    (oil,) = told.quality
    assert (oil.minutes, oil.on_spec) == (len(known), sum(v <= 20.0 for v in known))
    assert oil.highest == max(known)
    gallons = [float(v) for v in by["FT-1"] if v]
    assert told.treated.integrated == pytest.approx(fsum(gallons) / 42.0, rel=1e-12)
    caught = [
        float(q) * 0.003785411784 * (float(a) - float(b))
        for q, a, b in zip(by["FT-1"], by["AT-1"], by["AT-2"], strict=True) if q and a and b
    ]  # fmt: skip
    assert told.oil_caught_kg == pytest.approx(fsum(caught) / 1000.0, rel=1e-12)
    assert told.oil_minutes == len(caught)


def test_barrels_whose_analyser_said_nothing_are_neither_on_nor_off():
    """Half an hour without the analyser, while the meter counted on: those barrels stand on the line not judged."""
    silent = MemoryStore()
    rows = plant()
    rows["AT-2"] = [row for row in rows["AT-2"] if not 300 * 60 <= row[0] < 330 * 60]
    silent.write(Batch("w", 1, "x", samples(rows)))
    told = figures(silent).treated
    assert told.total == 360.0
    assert 2.0 + 28.0 <= told.unjudged <= 2.0 + 30.0  # a reading stands for two minutes at the most
    assert told.plain + told.in_gap + told.diverted + told.off_spec + told.unjudged == told.total


def test_what_no_instrument_tells_is_unknown_and_not_none(store):
    """Without a divert signal or an analyser, diverted and off-specification barrels are no zero, and have no line."""
    blind = TEXT.replace(", oil: AT-2, divert: XS-1", "")
    told = figures_of(store, view(blind), T0, T0 + DAY, site="tansy-4", zone=ZoneInfo("UTC"))
    assert (told.treated.diverted, told.treated.off_spec, told.treated.unjudged) == (None, None, None)
    assert (told.treated.plain, told.quality) == (299.0, ())
    shown = [line.what for line in lines(told, ReportWords("en"))]
    assert "of it in gaps of the data" in shown
    assert not any("diverted" in what or "limit" in what for what in shown)


def test_a_limit_on_hourly_means_is_judged_by_hours(store):
    """Of six hours one was in the gap; those that were read for half of it and more are judged by their mean."""
    (oil,) = figures(store).quality
    minutes = [row["value"] for row in exported(store, "AT-2", stage="cleaned")]
    hours = [[float(v) for v in minutes[60 * h : 60 * h + 60] if v] for h in range(HOURS)]
    means = [fsum(hour) / len(hour) for hour in hours if len(hour) >= 30]
    assert (oil.windows, oil.windows_on) == (len(means), sum(mean <= 20.0 for mean in means)) == (5, 5)
    for basis, spans in (("grab", None), ("1d", 1), ("30d", None), ("2h", 3)):
        other = view(TEXT.replace("basis: 1h", f"basis: {basis}"))
        (one,) = figures_of(store, other, T0, T0 + DAY, site="x", zone=ZoneInfo("America/Chicago")).quality
        assert one.windows == spans, basis
        assert {"grab": "grab samples", "1d": "1 d", "30d": "30 d", "2h": "2 h"}[basis] in quality_title(
            one, ReportWords("en")
        )


def test_volumes_are_told_in_barrels_and_kept_in_ucum(store):
    """A meter in m3 is told in its own unit and in barrels; files say [bbl_us], people read bbl."""
    metric = TEXT.replace('FQT-1: {unit: "[bbl_us]"', "FQT-1: {unit: m3").replace(
        "design_flow: 40", "design_flow: 2000"
    )
    told = figures_of(store, view(metric), T0, T0 + DAY, site="x", zone=ZoneInfo("UTC"))
    shown = {line.what: line.value for line in lines(told, ReportWords("en"))}
    assert shown["Treated water out (FQT-1)"] == "360 m³"
    assert shown["the same in barrels of 42 gallons"] == "2\u202f264 bbl"  # 360 / 0.158987294928
    assert shown["Water received (FQT-2)"] == "450 bbl"
    one = Figures(subject="skid sk-1", title="Skid 1", period="2026-03-01", fleet="f", skids=(told,))
    rows = list(csv.DictReader(io.StringIO(tables(one)["figures.csv"].decode(), newline="")))
    units = {row["figure"]: row["unit"] for row in rows}
    assert (units["treated.total"], units["received.total"]) == ("m3", "[bbl_us]")


def test_recovery_and_days(store):
    """Recovery is treated over received; a day is the site's own, so six hours from midnight UTC lie in one."""
    told = figures(store)
    assert [(d.day, d.treated) for d in told.days] == [("2026-02-28", 360.0)]
    assert told.recovery == pytest.approx(360.0 / 450.0)
    (oil,) = told.quality
    assert oil.days == 1  # all of it lies before midnight in Chicago
    assert 12.0 < oil.average_30d < 14.0
    assert told.completeness == pytest.approx(300 / 360, abs=0.002)


def test_late_data_mend_the_gap_and_not_the_total(store):
    """What was lost and comes later moves barrels from the gap's line; the meter's total was right all along."""
    late = MemoryStore()
    late.write(Batch("w", 1, "x", samples(plant())))
    filled = [(60.0 * m, float((950 + m) % 1000), 0) for m in range(60, 120)]
    late.write(Batch("w", 2, "y", samples({"FQT-1": filled}, delay_s=86400.0)))
    before, after = figures(store).treated, figures(late).treated
    assert (after.total, after.in_gap) == (before.total, 0.0)


@settings(max_examples=60, deadline=None)
@given(
    passed=st.lists(st.integers(0, 20), min_size=2, max_size=40),
    lost=st.sets(st.integers(1, 38)),
    begin=st.integers(0, 999),
    cuts=st.lists(st.integers(1, 39), max_size=4),
)
def test_periods_add_up_however_they_are_cut(passed, lost, begin, cuts):
    """With rollovers and lost readings, parts of a period add up to all of it, and that to what passed."""
    total = begin + np.cumsum(passed)
    kept = [i for i in range(len(passed)) if i not in lost or i == len(passed) - 1]
    times = np.array(kept, dtype=np.int64) * 60_000_000
    values = (total[kept] % 1000).astype(np.float64)
    end = len(passed) * 60_000_000

    def part(start, stop):
        return steps_of(times, values, start, stop, rollover=1000.0, most_per_s=20 / 60.0)

    edges = [0, *sorted({c * 60_000_000 for c in cuts if c < len(passed)}), end]
    whole = part(0, end)
    assert whole.sum() == total[-1] - total[0]
    assert fsum(part(a, b).sum() for a, b in pairwise(edges)) == whole.sum()
    assert whole.sum(whole.in_gap) + whole.sum(~whole.in_gap) == whole.sum()
    assert whole.resets == 0


@pytest.mark.parametrize(
    ("values", "rollover", "volume", "rollovers", "resets"),
    [
        ((100, 110, 2, 12), 1000, 22.0, 0, 1),  # set to zero: what it shows since counts
        ((990, 998, 6, 16), 1000, 26.0, 1, 0),
        ((990, 998, 6, 16), None, 24.0, 0, 1),
        ((100, 110, 7000, 7010), None, 20.0, 0, 1),  # another meter: the leap is no water
        ((7000, 7010, 100, 110), None, 20.0, 0, 1),  # and neither is its fall to a high reading
    ],
)
def test_a_fall_is_told_apart(values, rollover, volume, rollovers, resets):
    """A rollover counts through; a reset counts from zero; another meter's first reading is no volume."""
    times = np.arange(len(values), dtype=np.int64) * 60_000_000
    steps = steps_of(times, np.array(values, float), 0, 10**9, rollover=rollover, most_per_s=10 / 60.0)
    assert (steps.sum(), steps.rollovers, steps.resets) == (volume, rollovers, resets)
    assert not steps.in_gap.any()
    assert steps_of(times[:1], np.array([1.0]), 0, 10**9, rollover=None, most_per_s=None).sum() == 0.0


def test_a_gap_is_longer_than_its_limit():
    """A step counts as a gap beyond GAP_S, whatever passed in it."""
    times = np.array([0, GAP_S, 2 * GAP_S + 1], dtype=np.float64) * 1e6
    steps = steps_of(times.astype(np.int64), np.array([0.0, 1.0, 2.0]), 0, 10**10, rollover=None, most_per_s=None)
    assert steps.in_gap.tolist() == [False, True]


@pytest.mark.parametrize(
    ("share", "told"),
    [(None, "\u2013"), (1.0, "100.0 %"), (0.99996, "> 99.9 %"), (0.5, "50.0 %"), (0.0001, "< 0.1 %"), (0.0, "0.0 %")],
)
def test_a_share_is_never_rounded_to_all_or_nothing(share, told):
    """One bad minute of a month is not shown as 100 %."""
    assert percent(share) == told
