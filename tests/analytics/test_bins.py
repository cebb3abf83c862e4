"""Parts of the clock and straight lines: against the standard library's median and SciPy's Theil–Sen."""

from __future__ import annotations

from statistics import median

import numpy as np
import pytest
from scipy.stats import theilslopes

from analytics.bins import latest, parts
from analytics.lines import theil_sen

SIZE, ENOUGH = 5, 3


def _some(seed: int) -> tuple[np.ndarray, list[np.ndarray], np.ndarray]:
    """Minutes with two columns of which a quarter is unknown, and a usable mask."""
    rng = np.random.default_rng(seed)
    columns = [np.where(rng.random(103) < 0.25, np.nan, rng.standard_normal(103)) for _ in range(2)]
    return np.arange(1002, 1105), columns, rng.random(103) < 0.7


@pytest.mark.parametrize("seed", range(5))
def test_parts_are_medians_of_what_is_known(seed):
    """Each part with enough usable minutes has the standard library's median of its known figures."""
    minutes, columns, usable = _some(seed)
    rest, found = parts((), minutes, columns, usable, size=SIZE, enough=ENOUGH)
    expected = []
    for number in range(1002 // SIZE, 1105 // SIZE):
        inside = np.flatnonzero(usable & (minutes // SIZE == number))
        known = [[float(c[i]) for i in inside if np.isfinite(c[i])] for c in columns]
        if len(inside) >= ENOUGH:
            middle = tuple(median(k) if k else None for k in known)
            expected.append((int(minutes[inside[0]]), number * SIZE + SIZE - 1, middle))
    assert [(p.first, p.end, p.middle) for p in found] == expected
    assert rest == ()  # minute 1104 ends a part


@pytest.mark.parametrize("cut", [1, 7, 50, 101])
def test_a_cut_changes_no_part(cut):
    """The rows carried over a cut give the same parts as one pass."""
    minutes, columns, usable = _some(9)
    _, whole = parts((), minutes, columns, usable, size=SIZE, enough=ENOUGH)
    rest, first = parts((), minutes[:cut], [c[:cut] for c in columns], usable[:cut], size=SIZE, enough=ENOUGH)
    _, second = parts(rest, minutes[cut:], [c[cut:] for c in columns], usable[cut:], size=SIZE, enough=ENOUGH)
    assert first + second == whole


def test_latest_looks_back_over_the_block():
    """Each minute knows the last one at which it was so, in this block or before."""
    where = np.array([False, True, False, True])
    assert latest(np.arange(10, 14), where, 7) == [7, 11, 11, 13]


@pytest.mark.parametrize("n", [2, 5, 8, 24, 41])
def test_theil_sen_is_scipy_s(n):
    """Slope, cut and interval equal scipy.stats.theilslopes, tied values included, for several rows at once."""
    rng = np.random.default_rng(n)
    x = np.cumsum(rng.random(n) + 0.1)
    rows = np.round(rng.standard_normal((3, n)) + 0.1 * x, 1)
    for line, y in zip(theil_sen(x, rows, cover=0.8), rows, strict=True):
        assert tuple(line) == pytest.approx(tuple(theilslopes(y, x, alpha=0.8)), rel=1e-12)
