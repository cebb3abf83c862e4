"""Readings that leave their pattern, and a plant that merely does something else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analytics.detectors.unusual_pattern import PLUGIN
from analytics.frame import Block
from tests.analytics.detectors import build, longer


def said(block: Block):
    """Drafts about the skid."""
    return build.run(PLUGIN, longer.VIEW, "skid", block)[1]


def with_values(block: Block, changed: dict) -> Block:
    """The block with other values of some roles."""
    channels = {k: replace(c, value=changed[k](c.value)) if k in changed else c for k, c in block.channels.items()}
    return replace(block, channels=channels)


def test_one_reading_that_leaves_the_others_is_told_and_named():
    """The outlet's pressure rises by a tenth while the flow does not: info, within a day, that instrument first."""
    draft = said(longer.plant(faults=True))[0]
    assert draft.severity == "low"
    assert longer.DEVIATES * 60 < draft.minute - build.MINUTE0 < (longer.DEVIATES + 24) * 60
    assert next(n.name for n in draft.evidence.numbers if n.name.startswith("share_")) == "share_PT-202"


@pytest.mark.parametrize("factor", [0.7, 1.3])
def test_a_flow_that_was_never_seen_is_no_pattern(factor):
    """A flow step on the last day, pressures with it: nobody knows the pattern there, nothing is said."""
    step = np.where(np.arange(longer.HOURS * 60) >= 140 * 60, factor, 1.0)
    changed = {("cyclone", "inlet_flow"): lambda x: x * step}
    changed |= {("cyclone", f"{w}_pressure"): lambda x: x * step**2 for w in ("inlet", "outlet", "reject")}
    assert said(with_values(longer.plant(faults=False), changed)) == []


def test_what_creeps_is_not_swallowed():
    """A tenth in two days, slower than the centre follows in one: told all the same."""
    ramp = 20.0 * np.clip((np.arange(longer.HOURS * 60) / 60.0 - 110.0) / 48.0, 0.0, 1.0)
    block = with_values(longer.plant(faults=False), {("cyclone", "outlet_pressure"): lambda x: x + ramp})
    assert [d.kind for d in said(block)][:1] == ["unusual-pattern"]


def test_colder_water_than_was_ever_seen_is_no_pattern():
    """6 K colder for the last day, and a pressure that leaves its flow with it: nothing; it is said in usual water."""
    n = longer.HOURS * 60
    late = np.arange(n) >= 140 * 60
    off = {("cyclone", "outlet_pressure"): lambda x: x + 20.0 * late}
    known = with_values(longer.plant(faults=False), off)
    assert said(known) != []
    cold = build.block(longer.VIEW, {("tank", "temperature"): 30.0 - 6.0 * late})
    assert said(replace(known, channels={**known.channels, **cold.channels})) == []


def test_a_pressure_that_rides_on_a_bed_is_taken_without_it():
    """Runs of 20 h, whose drop climbs six times as fast from hour 110 on: the pressures before the bed go with it."""
    t = np.arange(longer.HOURS * 60) / 60.0
    drop = 20.0 + (t % 20.0) * np.where(t < 110.0, 0.5, 3.0)
    riding = {("cyclone", f"{which}_pressure"): lambda x: x + drop for which in ("inlet", "outlet")}
    unknown = with_values(longer.plant(faults=False), riding)
    assert said(unknown) != []
    bed = build.block(longer.VIEW, {("filter", "dp"): drop})
    assert said(replace(unknown, channels={**unknown.channels, **bed.channels})) == []


@pytest.mark.parametrize(("since", "silent"), [(0, True), (100, False)])
def test_what_comes_every_day_is_usual(since, silent):
    """Each day the outlet's pressure stands higher for four hours: unusual, unless it did so while learning."""
    t = np.arange(longer.HOURS * 60) / 60.0
    bump = 12.0 * ((t % 24.0 < 4.0) & (t >= since))
    drafts = said(with_values(longer.plant(faults=False), {("cyclone", "outlet_pressure"): lambda x: x + bump}))
    assert (drafts == []) == silent


def test_another_flow_that_lasts_is_learnt():
    """From hour 100 on at nine tenths of the flow: two days later the watch learns anew, and everyone sees that."""
    step = np.where(np.arange(longer.HOURS * 60) >= 100 * 60, 0.9, 1.0)
    block = with_values(longer.plant(faults=False), {("cyclone", "inlet_flow"): lambda x: x * step})
    unit = longer.VIEW.by_id["skid"]
    before, _ = PLUGIN.step(unit, longer.VIEW, block.cut(0, 147 * 60), PLUGIN.start(unit, longer.VIEW))
    assert PLUGIN.progress(unit, before) is None
    after, drafts = PLUGIN.step(unit, longer.VIEW, block.cut(147 * 60, longer.HOURS * 60), before)
    progress = PLUGIN.progress(unit, after)
    assert drafts == []
    assert progress is not None
    assert 0 < progress.done < 24
