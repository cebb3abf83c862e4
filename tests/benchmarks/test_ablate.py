"""The ablation: every part that it leaves out is there, is left out wherever it is used, and comes back."""

from __future__ import annotations

import numpy as np
import pytest

import analytics.filter_bank
import analytics.filter_walk
from analytics import run_shapes
from analytics.conditions import Water
from analytics.past_runs import past_run
from benchmarks.ablate import PARTS, replaced


def test_nothing_is_remembered_of_the_other_one():
    """A run that is known already is carried on anew without the blocking laws, and anew with them afterwards."""
    at = np.linspace(0.1, 10.0, 60)
    run = past_run(at, 20.0 + at**2, np.ones(60), at, 10.0, None)
    known = run_shapes._shape(run, 200.0)
    assert known is not None
    with replaced(*PARTS["earlier runs carried on by blocking laws"][:2]) as asked:
        assert run_shapes._shape(run, 200.0) is None
        assert asked == [1]
    again = run_shapes._shape(run, 200.0)
    assert again is not None
    assert np.array_equal(again.at, known.at)


@pytest.mark.parametrize("part", PARTS)
def test_a_part_is_there_and_comes_back(part):
    """What is replaced exists under its name, stands replaced in all of analytics, and is as before afterwards."""
    target, instead, _ = PARTS[part]
    before = analytics.filter_walk.beside, Water.celsius
    with replaced(target, instead) as asked:
        assert asked == [0]
        if part == "filters side by side":
            assert analytics.filter_walk.beside(None, None) == ()
            assert analytics.filter_bank.beside(None, None) == ()
            assert asked == [2]
    assert (analytics.filter_walk.beside, Water.celsius) == before
