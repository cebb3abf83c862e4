"""The ablation: every part that it leaves out is there, is left out wherever it is used, and comes back."""

from __future__ import annotations

import pytest

import analytics.detectors.dp_rise
import analytics.filter_bank
from analytics.conditions import Water
from benchmarks.ablate import PARTS, replaced


@pytest.mark.parametrize("part", PARTS)
def test_a_part_is_there_and_comes_back(part):
    """What is replaced exists under its name, stands replaced in all of analytics, and is as before afterwards."""
    target, instead, _ = PARTS[part]
    before = analytics.detectors.dp_rise.beside, Water.celsius
    with replaced(target, instead) as asked:
        assert asked == [0]
        if part == "filters side by side":
            assert analytics.detectors.dp_rise.beside(None, None) == ()
            assert analytics.filter_bank.beside(None, None) == ()
            assert asked == [2]
    assert (analytics.detectors.dp_rise.beside, Water.celsius) == before
