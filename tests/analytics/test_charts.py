"""Control charts against printed examples, and their run lengths against published tables."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from analytics.charts import cusum, ewma, t2_limit, t2_limit_within
from analytics.run_lengths import CusumChart, EwmaChart, Shewhart, correlation, limit_for, simulated

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (data from memory).
NIST_CUSUM = [
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150),
    *(328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
]
# D. C. Montgomery, Introduction to Statistical Quality Control, table 9.1.
MONTGOMERY = [
    *(9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62),
    *(10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52),
]
SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0)
# J. M. Lucas & M. S. Saccucci, Technometrics 32, 1990, 1, table 3.
LUCAS_SACCUCCI = {
    (0.5, 3.071): (500, 255, 88.8, 35.9, 17.5, 6.53, 3.63, 2.50, 1.93, 1.34, 1.07),
    (0.03, 2.437): (500, 76.7, 29.3, 17.6, 12.6, 8.07, 5.99, 4.80, 4.03, 3.11, 2.55),
}
# J. M. Lucas & R. B. Crosier, Technometrics 24, 1982, 199, table 1 (h 4), by head start.
LUCAS_CROSIER = {
    0.0: (168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71),
    2.0: (149, 62.7, 20.1, 8.97, 5.29, 2.86, 2.01, 1.59, 1.32, 1.07),
}
# Montgomery, as above, table 9.3 (h 5), from memory.
MONTGOMERY_CUSUM = (465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01)


def test_cusum_of_the_handbooks_example():
    """Upper sum 3.01 at point 13, first signal at 14 with 4.94; the lower sum never passes 0.72."""
    chart = cusum(np.array(NIST_CUSUM), centre=325.0, sigma=1.0, reference=0.3175, decision=4.1959)

    assert chart.upper[12:16] == pytest.approx([3.01, 4.94, 7.45, 10.63], abs=0.01)
    assert np.argmax(chart.out) == 13
    assert chart.lower.max() == pytest.approx(0.72, abs=0.01)


def test_cusum_and_ewma_of_montgomerys_example():
    """C+ is 5.28 at point 29, its first signal; the EWMA (0.1, 2.7) signals first there too, at 10.647."""
    values = np.array(MONTGOMERY)
    sums = cusum(values, centre=10.0, sigma=1.0)
    average = ewma(values, centre=10.0, sigma=1.0, weight=0.1, limit=2.7)

    assert sums.upper[27:] == pytest.approx([4.47, 5.28, 5.30], abs=0.005)
    assert np.argmax(sums.out) == np.argmax(average.out) == 28
    assert average.average[[0, 1, 28]] == pytest.approx([9.945, 9.7495, 10.64682], abs=1e-4)
    assert average.high[[0, 1, 28]] == pytest.approx([10.27, 10.3632, 10.6187], abs=1e-4)


def test_shewharts_run_lengths():
    """One false signal in 370.4 points at 3 σ; 43.9 at a shift of 1 σ: Montgomery, as above, from the normal law."""
    assert [Shewhart().arl(s) for s in (0, 1, 2, 3)] == pytest.approx([370.398, 43.895, 6.303, 2.000], rel=1e-3)


@pytest.mark.parametrize(("weight", "at"), LUCAS_SACCUCCI)
def test_ewmas_run_lengths(weight, at):
    """Within 1 % of Lucas & Saccucci's table at every shift of the mean."""
    assert [EwmaChart(weight, at).arl(s) for s in SHIFTS] == pytest.approx(LUCAS_SACCUCCI[weight, at], rel=0.01)


def test_ewmas_run_length_to_many_digits():
    """With weight 0.25 and limits at 3 σ a shift of 1 σ is seen after 11.154267016 points (a statistics package's
    manual)."""
    assert EwmaChart(0.25, 3.0).arl(1.0) == pytest.approx(11.154267016, rel=1e-8)


@pytest.mark.parametrize("head", LUCAS_CROSIER)
def test_cusums_run_lengths(head):
    """Within 1 % of Lucas & Crosier's table, with a head start and without."""
    found = [CusumChart(0.5, 4.0, head).arl(s) for s in SHIFTS[:10]]

    assert found == pytest.approx(LUCAS_CROSIER[head], rel=0.01)


def test_cusums_run_lengths_at_5():
    """Within 1 % of Montgomery's table at h = 5; one side alone as Brook & Evans (Biometrika 59, 1972, 539) and Goel &
    Wu (Technometrics 13, 1971, 221) have it."""
    assert [CusumChart(0.5, 5.0).arl(s) for s in SHIFTS[:10]] == pytest.approx(MONTGOMERY_CUSUM, rel=0.01)
    assert CusumChart(0.5, 3.0).one_sided() == pytest.approx(117.59, rel=1e-3)
    assert CusumChart(0.5, 3.0).one_sided(1.5) == pytest.approx(3.75, rel=1e-3)
    assert [CusumChart(0.0, 10.0).one_sided(s) for s in (-0.25, 0.0, 0.5, 1.0)] == pytest.approx(
        [2071.5, 124.66, 20.37, 10.75], rel=1e-3
    )


@pytest.mark.parametrize(
    ("chart", "shift"),
    [(CusumChart(0.5, 4.0), 0.0), (CusumChart(0.5, 5.0), 1.0), (EwmaChart(0.2, 2.962), 0.5), (Shewhart(3.0), 1.0)],
)
def test_simulated_runs_agree(chart, shift):
    """4000 simulated runs are within 5 % of what the integral equation says: another way to the same figure."""
    assert simulated(chart, shift=shift) == pytest.approx(chart.arl(shift), rel=0.05)


@pytest.mark.parametrize(("phi", "low", "high"), [(0.3, 85, 105), (0.5, 48, 56), (0.8, 29, 37)])
def test_points_that_follow_each_other_make_tables_lie(phi, low, high):
    """A CUSUM (0.5, 5) that signals falsely once in 465 independent points: intervals of an independent simulation of
    300 runs, two standard errors."""
    assert low < simulated(CusumChart(0.5, 5.0), phi=phi) < high


def test_limits_for_points_that_follow_each_other():
    """The limit that is given for φ = 0.5 does give the run length that was wanted, by other random numbers."""
    chart = CusumChart(0.5, limit_for(CusumChart(0.5, 5.0), 200.0, phi=0.5))
    rng, lengths = np.random.default_rng(7), []
    for _ in range(400):
        noise = rng.standard_normal(3000)
        x = np.empty(3000)
        x[0] = noise[0]
        for i in range(1, 3000):
            x[i] = 0.5 * x[i - 1] + np.sqrt(0.75) * noise[i]
        lengths.append(int(np.argmax(cusum(x, centre=0.0, sigma=1.0, decision=chart.at).out)) + 1)

    assert np.mean(lengths) == pytest.approx(200.0, abs=3 * stats.sem(lengths))


def test_limits_for_independent_points_are_the_tables():
    """The limits that give 465.44, 499.74 and 370.4 points are 5, 2.962 and 3."""
    assert limit_for(CusumChart(0.5, 1.0), 465.44) == pytest.approx(5.0, abs=1e-3)
    assert limit_for(EwmaChart(0.2, 1.0), 499.74) == pytest.approx(2.962, abs=1e-3)
    assert limit_for(Shewhart(), 370.398) == pytest.approx(3.0, abs=1e-3)


def test_limits_of_t2():
    """Montgomery, as above, chapter 11: F for a new point, Beta for one of those learnt of."""
    assert [t2_limit(*a) for a in ((2, 50, 0.001), (3, 100, 0.01), (5, 200, 0.0027))] == pytest.approx(
        [16.669, 12.339, 19.416], rel=1e-4
    )
    assert [t2_limit_within(*a) for a in ((2, 50, 0.001), (3, 100, 0.01), (5, 200, 0.0027))] == pytest.approx(
        [12.230, 10.872, 17.607], rel=1e-4
    )


def test_t2_limits_hold_in_simulation():
    """Of new points 1 % are beyond the limit for 1 %, whatever mean and covariance were learnt."""
    rng, beyond, tried = np.random.default_rng(3), 0, 0
    for _ in range(3000):
        learnt, new = rng.normal(size=(20, 3)), rng.normal(size=(20, 3))
        inverse = np.linalg.inv(np.cov(learnt.T))
        off = new - learnt.mean(axis=0)
        beyond += int((np.einsum("ij,jk,ik->i", off, inverse, off) > t2_limit(3, 20, 0.01)).sum())
        tried += len(new)

    assert beyond / tried == pytest.approx(0.01, rel=0.15)


@settings(max_examples=20, deadline=None)
@given(st.floats(0.05, 1.0), st.floats(1.0, 3.5))
def test_run_lengths_fall_with_the_shift(weight, at):
    """The further the mean has moved, the sooner it is seen, to either side alike."""
    chart = EwmaChart(weight, at)
    found = [chart.arl(s) for s in (0.0, 0.5, 1.0, 2.0, 4.0)]

    assert found == sorted(found, reverse=True)
    assert chart.arl(-1.0) == pytest.approx(chart.arl(1.0), rel=1e-6)


def test_correlation_of_a_known_series():
    """1, 2, 3, 4: deviations -1.5 to 1.5, lagged products 1.25 of 5."""
    assert correlation(np.arange(1.0, 5.0)) == pytest.approx(0.25)
    assert correlation(np.ones(9)) == correlation(np.zeros(0)) == 0.0


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: cusum(np.ones(3), centre=0.0, sigma=0.0), "sigma"),
        (lambda: t2_limit(5, 5, 0.01), "p < m"),
        (lambda: simulated(Shewhart(), phi=1.0), "phi"),
        (lambda: limit_for(Shewhart(), 0.5), "every point"),
        (lambda: limit_for(Shewhart(), 1e9, high=3.0), "no limit"),
    ],
)
def test_what_has_no_meaning_is_refused(call, says):
    """With a word on what would have been valid."""
    with pytest.raises(ValueError, match=says):
        call()
