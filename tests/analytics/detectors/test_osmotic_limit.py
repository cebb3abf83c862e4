"""Too salty for reverse osmosis: against the plant's own usual share, and where nothing is left to drive."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.detectors.osmotic_limit import LEARN, OsmoticState, bounds

LIMIT = 0.75


@pytest.mark.parametrize(
    ("usual", "bound"),
    [(0.40, 0.75), (0.70, 0.80), (0.80, 0.90), (0.93, 0.95), (1.20, 0.95)],
    ids=["far below", "near the limit", "built beyond it", "close to hopeless", "never worked"],
)
def test_a_share_is_judged_against_the_usual_one(usual, bound):
    """The limit, or 10 points above the usual share where that is more, never above 95 %."""
    _, limits = bounds(np.full(LEARN + 10, usual), OsmoticState().tally, LIMIT)
    assert limits[-1] == pytest.approx(bound, abs=0.006)


def test_before_a_day_is_known_only_the_hopeless_is_said():
    """A stop or a gap teaches nothing; the bound is 95 % up to the last minute of the day that is learnt."""
    share = np.full(LEARN + 200, 0.5)
    share[100:200] = np.nan
    tally, limits = bounds(share, OsmoticState().tally, LIMIT)
    assert sum(tally) == LEARN
    assert set(limits[: LEARN + 100]) == {0.95}
    assert set(limits[LEARN + 100 :]) == {LIMIT}


def test_what_comes_after_the_first_day_teaches_nothing():
    """Saltier water in small steps is not taken for usual."""
    tally, _ = bounds(np.full(LEARN, 0.5), OsmoticState().tally, LIMIT)
    after, limits = bounds(np.full(3 * LEARN, 0.9), tally, LIMIT)
    assert after == tally
    assert set(limits) == {LIMIT}
