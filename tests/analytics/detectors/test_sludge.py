"""Sludge on a tank's bottom: made levels, and a simulated skid whose sludge nobody draws."""

from __future__ import annotations

import hashlib
import json
from datetime import timedelta

import numpy as np
import pytest
import yaml

from analytics.detectors.sludge import PLUGIN
from analytics.frame import Flag
from analytics.service import Analyzer
from simulator.generate import generate
from simulator.scenario import Scenario
from simulator.truth import truth_of
from skidhand.fleet import load_fleet
from skidhand.logbook import Logbook
from skidhand.stores.base import Batch
from skidhand.stores.memory import MemoryStore
from tests.analytics.detectors import build, rest
from tests.simulator import story

LIMIT = 0.30
OUTLET = 0.30


def _said(level, *, seed=3, **how):
    """What is said of hourly levels (m), each held a whole hour, read with 2 mm of noise a minute."""
    level = np.repeat(np.asarray(level, dtype=float), 60)
    noisy = level + 0.002 * np.random.default_rng(seed).standard_normal(len(level))
    data = build.block(rest.view(), {("feed-tank", "sludge_level"): noisy}, **how)
    return build.run(PLUGIN, rest.view(), "feed-tank", data)[1]


def _hour(minute):
    return (minute - build.MINUTE0) / 60.0


def test_a_steady_rise_is_told_with_the_day_of_the_limit():
    """1 mm an hour from 10 cm: told once two days give a rate, and forecast to some hours (by hand: hour 200.5)."""
    first, *more = _said(0.10 + 0.001 * np.arange(160))
    assert 48 <= _hour(first.minute) <= 56
    assert (first.kind, first.cause, first.ended) == ("sludge-build-up", None, None)
    when = first.forecast.when.timestamp() / 60.0
    assert _hour(when) == pytest.approx(200.5, abs=3.0)
    assert first.forecast.low < first.forecast.when < first.forecast.high
    numbers = {n.name: n.value for n in first.evidence.numbers}
    level = numbers["sludge_level"]
    assert numbers["sludge_rate"] == pytest.approx(0.024, rel=0.02)
    assert numbers["days_left"] == pytest.approx((LIMIT - level) / numbers["sludge_rate"], rel=0.01)
    assert numbers["margin_to_outlet"] == pytest.approx(OUTLET - level, abs=1e-3)
    assert [d.severity for d in (first, *more)] == ["low", "medium"]  # it presses two days before


def test_what_lies_above_the_limit_is_told_after_hours_and_ends_when_it_is_drawn():
    """0.35 m from the first hour on: told in the morning, closed within a quarter of a day of the draw, dated to it."""
    opened, closed = _said(np.where(np.arange(96) < 60, 0.35, 0.12))
    assert _hour(opened.minute) == pytest.approx(8.0, abs=0.1)  # three hours for a level, six of them in a row
    assert opened.forecast is None
    assert opened.severity == "medium"
    assert closed.run_key == opened.run_key
    assert 60 <= _hour(closed.ended) <= 63
    assert _hour(closed.minute) < 68


def test_a_slow_draw_ends_it_too():
    """5 mm an hour down from 0.34 m: over when it is certainly below, though no hour fell by a step."""
    level = np.concatenate([np.full(30, 0.34), 0.34 - 0.005 * np.arange(40)])
    assert [d.ended is None for d in _said(level)] == [True, False]


@pytest.mark.parametrize(
    "level",
    [
        np.full(240, 0.27),  # high, and stays
        0.02 + 0.0015 * (np.arange(96) - 48).clip(0),  # grows, still below a third of the limit
        0.12 + 0.0002 * np.arange(240),  # 5 mm a day: weeks
        np.where(np.arange(120) == 70, 0.45, 0.12),  # one odd hour
        0.15 + 0.02 * np.sin(2 * np.pi * np.arange(240) / 24),  # a day's ups and downs
        np.where(np.arange(120) < 80, 0.12, 0.45),  # the gauge's step, not yet two days old
        np.where(np.arange(240) % 30 < 28, 0.10 + 0.003 * (np.arange(240) % 30), 0.10),  # drawn every 30 hours
    ],
    ids=["steady", "shallow", "slow", "odd-hour", "daily", "step", "drawn"],
)
def test_what_is_no_build_up_is_not_told(level):
    """Nothing is said, with the gauge's own noise."""
    for seed in range(1, 6):
        assert _said(level, seed=seed) == []


def test_a_step_that_stands_for_two_days_is_believed():
    """A gauge put right may have read too little before."""
    said = _said(np.where(np.arange(120) < 30, 0.12, 0.45))
    assert [d.kind for d in said] == ["sludge-build-up"]
    assert 30 + 48 <= _hour(said[0].minute) <= 30 + 56


@pytest.mark.parametrize("flag", [Flag.FROZEN, Flag.RANGE, Flag.GAP])
def test_a_gauge_that_is_frozen_or_has_failed_says_nothing(flag):
    """Minutes that cleaning puts aside give no level, however high they stand."""
    n = 72 * 60
    flags = {("feed-tank", "sludge_level"): np.full(n, int(flag))}
    assert _said(np.full(72, 0.9), flags=flags) == []
    assert len(_said(np.full(72, 0.9))) == 1


def test_a_skid_that_stands_says_nothing_new():
    """Only hours in service count."""
    assert _said(np.full(72, 0.9), running=np.zeros(72 * 60, dtype=bool)) == []


def test_memory_of_a_year_is_small():
    """A slow rise with a draw each month: two kilobytes and a bit, whatever has been."""
    n = 365 * 24
    level = np.repeat(0.10 + 0.0001 * (np.arange(n) % 720), 60)
    state, _ = build.run(
        PLUGIN, rest.view(), "feed-tank", build.block(rest.view(), {("feed-tank", "sludge_level"): level})
    )
    assert len(state.model_dump_json()) < 6000
    json.loads(state.model_dump_json())


def test_what_is_missing_is_named():
    """Without the gauge nothing is watched and the role is named; without the outlet's height, what it costs."""
    found = build.skid("      - {id: tank, type: weir_tank, roles: {level: LT-110}}\n")
    told = PLUGIN.needs(found.by_id["tank"], found)
    assert (told.watched, told.missing) == (frozenset(), ("sludge_level",))
    found = build.skid("      - {id: tank, type: weir_tank, roles: {sludge_level: LT-110}}\n")
    told = PLUGIN.needs(found.by_id["tank"], found)
    assert told.watched == PLUGIN.kinds
    assert told.weaker == ("outlet_height: the margin to the outlet is not told",)


def _lived(folder, told, hours, seed):
    """(current findings, truth) of a packaged skid that was given a sludge gauge, by the product's own path."""
    file = story.scenario(folder, told, hours=hours)
    data = yaml.safe_load(file.fleet_path.read_text(encoding="utf-8"))
    data["skids"] = [s for s in data["skids"] if s["id"] == "tf-skid-1"]
    del data["roster"]
    skid = data["skids"][0]
    skid["instruments"]["LT-116"] = {"unit": "[ft_i]", "range": [0, 8], "note": "sludge"}
    next(u for u in skid["units"] if u["type"] == "weir_tank")["roles"]["sludge_level"] = "LT-116"
    path = folder / "fleet.yaml"
    path.write_text(yaml.safe_dump(data, sort_keys=False), encoding="utf-8")
    version = load_fleet(path)
    played = Scenario(file.file.model_copy(update={"seed": seed}), version.fleet, path)
    store, end = MemoryStore(), played.start + timedelta(hours=hours)
    for number, chunk in enumerate(generate(played, chunk_hours=24), 1):
        store.write(Batch("w", number, hashlib.sha256(str(number).encode()).hexdigest(), chunk.samples))
    with Logbook(str(folder / "book")) as logbook:
        logbook.fleets.apply(version, effective=played.start, who="test")
        clock = logbook.open_clock("stream")
        logbook.clock.announce(end)
        Analyzer(store, logbook, clock=clock, owner="a").run_once()
        return logbook.analysis.current(), truth_of(played)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [3, 17])
def test_sludge_that_nobody_draws_is_told_before_its_limit_and_over_once_drawn(tmp_path, seed):
    """80 hours of sand: told within half a day of a third of the limit, days before the limit; drawn, it closes."""
    found, truth = _lived(tmp_path, [{"event": "sludge-build-up", "at": 40, "hours": 80}], 170, seed)
    (event,) = (e for e in truth.events if e.kind == "sludge-build-up")
    assert event.required
    (told,) = (f for f in found if f.kind == "sludge-build-up")
    assert (told.unit, told.state, told.cause_class) == ("weir-tank", "closed", event.cause_class)
    assert timedelta() <= told.detected - event.onset <= timedelta(hours=12)
    assert {"tank", "h2s", "norm"} <= set(told.hazards)
    assert timedelta(hours=5) < told.ended - event.ended < timedelta(hours=36)
    margin = next(n for n in told.evidence.numbers if n.name == "margin_to_outlet")
    assert margin.unit == "[ft_i]"
    assert [f.kind for f in found if f.unit in ("weir-tank", "LT-116")] == ["sludge-build-up"]


@pytest.mark.slow
def test_a_quiet_week_has_no_sludge(tmp_path):
    """The usual draw: nothing is said of the tank, nor of its gauge, in seven days."""
    found, _ = _lived(tmp_path, [], 168, 5)
    assert [f.kind for f in found if f.unit in ("weir-tank", "LT-116") or f.kind == "unusual-pattern"] == []
