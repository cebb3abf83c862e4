"""Change points: steps are found where they are, wandering is not cut up, a slow rise is dated early."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.changepoints import changes, noise, onset


def test_steps_are_found_where_they_are():
    """Two steps of five sigma in noise are found to the point; noise alone has none."""
    rng = np.random.default_rng(1)
    quiet = rng.normal(size=300)
    stepped = quiet + np.repeat([0.0, 5.0, -3.0], 100)
    assert changes(stepped) == [100, 200]
    assert changes(quiet) == []


def test_what_wanders_is_not_cut_at_every_turn():
    """In autocorrelated noise (0.95) the differences' noise cuts five times as often as the series' own spread."""
    rng = np.random.default_rng(2)
    values = np.zeros(600)
    for i in range(1, 600):
        values[i] = 0.95 * values[i - 1] + rng.normal()
    assert 5 * len(changes(values)) <= len(changes(values, sigma=noise(values)))


def test_a_ramp_is_dated_early():
    """A rise to six sigma over the last 60 points is dated, in the median of 40, within its first quarter."""
    rng = np.random.default_rng(3)
    ramp = np.concatenate([np.zeros(140), 6.0 * np.arange(1, 61) / 60])
    late = [onset(rng.normal(size=200) + ramp, usual=0.0, limit=2.0) - 140 for _ in range(40)]
    assert 0 <= np.median(late) <= 15


def test_gaps_are_refused():
    """NaN is an error, and too few or equal values have no change."""
    with pytest.raises(ValueError, match="finite"):
        changes(np.array([1.0, np.nan, 2.0]))
    assert changes(np.ones(50)) == changes(np.arange(4.0)) == []
