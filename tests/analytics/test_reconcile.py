"""Reconciled balances against a textbook's example, a generic solver and their own statistics."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from analytics.reconcile import reconcile

# In, treated and reject of a separator, and what a filter behind it passes.
BALANCES = np.array([[1.0, -1.0, -1.0, 0.0], [0.0, 1.0, 0.0, -1.0]])
MEASURED, SIGMA = np.array([100.0, 95.5, 3.2, 94.0]), np.array([2.0, 1.5, 0.3, 1.0])


def test_a_worked_example():
    """Heat exchanger with bypass, Narasimhan & Jordache, example 1.1 (from memory): six flows of σ 1, four balances.

    101.91, 64.45, 34.65, 64.20, 36.44, 98.88 become 100.22, 64.50, 35.72, 64.50, 35.72, 100.22.
    """
    balances = np.array(
        [[1, -1, -1, 0, 0, 0], [0, 1, 0, -1, 0, 0], [0, 0, 1, 0, -1, 0], [0, 0, 0, 1, 1, -1]], dtype=float
    )
    found = reconcile(balances, np.array([101.91, 64.45, 34.65, 64.20, 36.44, 98.88]), np.ones(6))

    assert found.value == pytest.approx([100.22, 64.50, 35.72, 64.50, 35.72, 100.22], abs=0.01)


def test_the_formula_is_what_a_generic_solver_finds():
    """scipy's constrained minimiser finds the same flows; uncertainty is that of many drawn readings."""
    found = reconcile(BALANCES, MEASURED, SIGMA)
    solved = optimize.minimize(
        lambda x: float(np.sum(((x - MEASURED) / SIGMA) ** 2)),
        MEASURED,
        constraints={"type": "eq", "fun": lambda x: BALANCES @ x},
        method="SLSQP",
        options={"ftol": 1e-14},
    )
    rng = np.random.default_rng(1)
    drawn = [reconcile(BALANCES, rng.normal(solved.x, SIGMA), SIGMA) for _ in range(3000)]

    assert found.value == pytest.approx(solved.x, abs=1e-4)
    assert found.statistic == pytest.approx(solved.fun, abs=1e-6)
    assert found.sigma == pytest.approx(np.std([each.value for each in drawn], axis=0), rel=0.05)
    assert np.std([each.z for each in drawn], axis=0) == pytest.approx(np.ones(4), rel=0.05)
    assert np.mean([not each.agrees for each in drawn]) == pytest.approx(0.05, abs=0.012)


def test_its_figures():
    """Flows, σ, χ² and z of the example, as solved by hand with 2 × 2 matrices."""
    found = reconcile(BALANCES, MEASURED, SIGMA)

    assert found.value == pytest.approx([98.0441, 94.8001, 3.2440, 94.8001], abs=1e-4)
    assert found.sigma == pytest.approx([0.8089, 0.7695, 0.2972, 0.7695], abs=1e-4)
    assert found.statistic == pytest.approx(1.8358, abs=1e-4)
    assert found.agrees
    assert found.statistic < stats.chi2.isf(0.05, found.freedom)
    assert np.abs(found.z) == pytest.approx([1.069, 0.544, 1.069, 1.253], abs=1e-3)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 3), st.floats(12.0, 40.0), st.sampled_from([-1.0, 1.0]))
def test_a_wrong_meter_is_named(which, size, side):
    """Where only one meter's error explains both balances it is the suspect; where two would, none is."""
    true = np.array([98.0, 95.0, 3.0, 95.0])
    wrong = true.copy()
    wrong[which] += side * size * SIGMA[which]
    found = reconcile(BALANCES, wrong, SIGMA)

    assert BALANCES @ found.value == pytest.approx([0.0, 0.0], abs=1e-9)
    assert not found.agrees or which == 2  # the small reject is hidden by the large meters' doubt
    assert found.suspect() in ((None,) if which in (0, 2) else (which,))


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((BALANCES, MEASURED[:3], SIGMA), "4 streams"),
        ((BALANCES, MEASURED, 0 * SIGMA), "above zero"),
        ((np.ones((2, 4)), MEASURED, SIGMA), "independent"),
    ],
)
def test_what_cannot_be_reconciled_is_refused(arguments, says):
    """With a word on what was wrong."""
    with pytest.raises(ValueError, match=says):
        reconcile(*arguments)
