"""The watch over several readings: what it sees, what it lets pass, what it remembers."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.pattern import Pattern, PatternState, Settings

SETTINGS = Settings(learn=60)


def together(seed, n=400, readings=4):
    """(n, readings): all follow one load that wanders around its usual; readings go up to 100 times its size."""
    rng = np.random.default_rng(seed)
    load = np.zeros(n)
    for i in range(1, n):
        load[i] = 0.9 * load[i - 1] + rng.normal(0, 0.4)
    return (load[:, None] + rng.normal(0, 0.1, (n, readings)) + 20.0) * 10.0 ** np.linspace(0, 2, readings)


def told(points, chosen=SETTINGS):
    """Where it is unusual, (n,)."""
    pattern = Pattern(chosen, PatternState())
    return np.array([pattern.step(x) for x in points])


def test_readings_that_part_are_seen_though_each_is_in_its_band():
    """One reading turned round its mean stays within what it did before; with the others it no longer fits."""
    points = together(2)
    points[250:, 1] = 2 * 20.0 * 10.0 ** (2 / 3) - points[250:, 1]

    out = told(points)

    assert points[250:, 1].max() < 1.05 * points[:250, 1].max()
    assert not out[:250].any()
    assert out[250:300].any()


def test_the_reading_that_moved_is_named():
    """A step of 40 noises in the third reading: named first, with what was expected."""
    points, pattern = together(3), Pattern(SETTINGS, PatternState())
    points[200:, 2] += 4.0 * 10.0 ** (4 / 3)
    at = next(i for i, x in enumerate(points) if pattern.step(x))

    assert at in range(200, 206)
    assert int(np.argmax(pattern.contributions())) == 2
    assert pattern.contributions().sum() == pytest.approx(1.0)
    assert pattern.now()[2] - pattern.usual()[2] > 0


def test_quiet_readings_are_let_be():
    """2000 points of each of ten series: at most one alarm in all."""
    starts = [np.flatnonzero(np.diff(told(together(seed, 2000)).astype(int)) == 1) for seed in range(10)]

    assert sum(len(each) for each in starts) <= 1


def test_a_slow_drift_is_not_swallowed():
    """Half of what the centre may follow: T² never sees it, its distance from where it began does."""
    points = together(4, 1500)
    pattern = Pattern(SETTINGS, PatternState())
    for x in points[:60]:
        pattern.step(x)
    pace = 0.5 / SETTINGS.horizon * np.array(pattern.state().scale)[0]
    points[60:, 0] += pace * np.arange(1440)

    assert told(points)[60:1500].any()
    assert not told(together(4, 1500)).any()


def test_a_new_usual_is_accepted_once():
    """A lasting step is said, is usual after twice the time learnt, and is not said again."""
    points = together(5, 900)
    points[200:] += 5.0 * 10.0 ** np.linspace(0, 2, 4) * np.array([1, -1, 1, -1])
    edges = np.flatnonzero(np.diff(told(points).astype(int)))

    assert len(edges) == 2
    assert edges[1] - edges[0] <= 2 * SETTINGS.learn + 5


def test_a_point_that_is_not_known_changes_nothing_by_itself():
    """Gaps in one reading, or in all, neither raise nor end anything."""
    points = together(6)
    points[100:300:3, 1] = np.nan
    points[200:220] = np.nan

    assert not told(points).any()


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 5), st.lists(st.integers(1, 299), max_size=5))
def test_a_cut_changes_nothing(seed, cuts):
    """State as JSON between any two points: the same answers, and the same memory, to the last digit."""
    points = together(seed, 300)
    points[180:240, 0] += 8.0
    whole, state, out = Pattern(SETTINGS, PatternState()), PatternState(), []
    expected = [whole.step(x) for x in points]
    for a, b in zip([0, *sorted(cuts)], [*sorted(cuts), 300], strict=True):
        part = Pattern(SETTINGS, PatternState.model_validate_json(state.model_dump_json()))
        out += [part.step(x) for x in points[a:b]]
        state = part.state()

    assert out == expected
    assert state == whole.state()


@settings(max_examples=15, deadline=None)
@given(st.floats(0.01, 1000.0))
def test_units_do_not_matter(factor):
    """The same in kPa as in psi."""
    points = together(1)
    points[200:, 2] += 4.0 * 10.0 ** (4 / 3)

    assert told(points * factor).tolist() == told(points).tolist()
