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
