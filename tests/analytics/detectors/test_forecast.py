"""What is left of a filter run: blocking laws against their published values, learning on seeded runs."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.blocking import LAWS, extend, extrapolate, fits
from analytics.forecast import Left, Library, learn, left
from analytics.past_runs import PastRun, Seen, past_run
from analytics.run_shapes import load_exponent

TERMINAL = 80.0


def _drop(share: np.ndarray) -> np.ndarray:
    return 20.0 * (1.0 + 3.0 * share**2)


def _past(life: float, rng: np.random.Generator, *, stop: float = 1.1, load: float | None = None) -> PastRun:
    at = np.linspace(0.01, stop, 300) * life
    return past_run(at, _drop(at / life) + 0.3 * rng.standard_normal(300), np.ones(300), at / 20.0, stop * life, load)


def _seen(life: float, share: float, rng: np.random.Generator, load: float | None = None, factor: float = 1.0) -> Seen:
    at = np.linspace(0.01, share, 120) * life
    drops = factor * _drop(at / life) + 0.3 * rng.standard_normal(120)
    return Seen(at, drops, np.full(120, factor), share * life, 1.0 / 20.0, load)


def _library(lives: np.ndarray, rng: np.random.Generator, loads: np.ndarray | None = None) -> Library:
    library = Library()
    for k, life in enumerate(lives):
        library = learn(library, _past(life, rng, load=None if loads is None else float(loads[k])), TERMINAL)
    return library


@pytest.mark.parametrize(
    ("name", "times"), [("complete", 2.0), ("standard", 1.7778), ("intermediate", 1.6487), ("cake", 1.5)]
)
def test_blocking_laws_at_one_half(name: str, times: float) -> None:
    """At x = 0.5 the drop is 2, 1.7778, 1.6487 and 1.5 times the clean one (Hermia 1982), and the law is found."""
    law = next(law for law in LAWS if law.name == name)
    clean, k = 10.0, {"complete": 1.0, "standard": 0.5, "intermediate": 1.0, "cake": 1.0}[name]
    slope = {
        "complete": k / clean,
        "standard": k * clean**-0.5,
        "intermediate": k,
        "cake": k * clean,
    }[name]
    line = law.straight(np.array(clean)) + slope * np.array([0.0, 0.5])
    assert law.back(line) == pytest.approx([clean, times * clean], rel=1e-4)

    x = np.linspace(0.0, 0.5, 40)
    curve = law.back(law.straight(np.array(clean)) + slope * x)
    assert fits(x, curve)[0].law.name == name


def test_a_run_alone_reaches_where_its_law_does() -> None:
    """A cake that grows by 1 kPa a m3 from 10 kPa has 30 m3 left at 50 kPa, and no more than the interval says."""
    at = np.arange(0.0, 41.0)
    answer = extrapolate(at, 10.0 + at, 40.0, 80.0)
    assert answer is not None
    best, low, high = answer
    assert best == pytest.approx(30.0, rel=1e-6)
    assert low <= best <= high


def test_a_flat_curve_says_nothing() -> None:
    """Where nothing rises there is no forecast."""
    at = np.arange(0.0, 40.0)
    assert extrapolate(at, np.full(40, 10.0), 40.0, 80.0) is None
    assert extend(at, np.full(40, 10.0), 80.0) is None


def test_earlier_runs_tell_early() -> None:
    """At a third of a run the curve alone is lost; six earlier runs of one life are right to 5 %, inside their ends."""
    rng = np.random.default_rng(3)
    library = _library(200.0 * np.exp(0.02 * rng.standard_normal(6)), rng)
    answer = left(library, _seen(200.0, 0.35, rng), TERMINAL)
    assert answer is not None
    assert answer.runs == 6
    assert answer.median == pytest.approx(0.65 * 10.0, rel=0.05)
    assert answer.low <= 6.5 <= answer.high


def test_late_in_a_run_its_own_speed_decides() -> None:
    """A run half as long as all earlier ones is seen to be so at 85 % of it."""
    rng = np.random.default_rng(4)
    library = _library(200.0 * np.exp(0.05 * rng.standard_normal(6)), rng)
    answer = left(library, _seen(100.0, 0.85, rng), TERMINAL)
    assert answer is not None
    assert answer.median == pytest.approx(0.75, abs=0.25)


def test_interval_holds_four_times_in_five() -> None:
    """Over 60 seeded runs at 20 to 80 % of life the 80 % interval holds 70 to 95 % of the time."""
    rng = np.random.default_rng(5)
    held = []
    for _ in range(15):
        lives = 200.0 * np.exp(0.08 * rng.standard_normal(9))
        library = _library(lives[:8], rng)
        for share in (0.2, 0.4, 0.6, 0.8):
            answer = left(library, _seen(lives[8], share, rng), TERMINAL)
            assert answer is not None
            held.append(answer.low <= (1 - share) * lives[8] / 20.0 <= answer.high)
    assert 0.70 <= np.mean(held) <= 0.95


def test_load_shortens_life() -> None:
    """Lives that go as 1/load are foretold for a load never seen; the exponent is found."""
    rng = np.random.default_rng(6)
    loads = np.array([1.0, 1.2, 0.9, 1.1, 1.3, 0.8])
    library = _library(200.0 / loads, rng, loads)
    answer = left(library, _seen(200.0 / 1.6, 0.2, rng, load=1.6), TERMINAL)
    assert answer is not None
    assert answer.median == pytest.approx(0.8 * 200.0 / 1.6 / 20.0, rel=0.06)
    assert load_exponent(loads, 200.0 / loads**1.3) == pytest.approx(1.3, abs=0.01)


def test_cold_water_brings_the_end_nearer() -> None:
    """The same deposit at a condition factor of 1.25 reaches the terminal drop sooner, by the normalised curve."""
    rng = np.random.default_rng(7)
    library = _library(200.0 * np.exp(0.02 * rng.standard_normal(6)), rng)
    answer = left(library, _seen(200.0, 0.5, rng, factor=1.25), TERMINAL)
    assert answer is not None
    share = np.sqrt((TERMINAL / 1.25 / 20.0 - 1.0) / 3.0)  # of life at which 1.25 times the drop is terminal
    assert answer.median == pytest.approx((share - 0.5) * 10.0, rel=0.08)


def test_a_run_washed_early_still_teaches() -> None:
    """Runs washed at 90 % of their life are carried on to the terminal drop by their blocking law, to 10 %."""
    rng = np.random.default_rng(8)
    library = Library()
    for _ in range(4):
        library = learn(library, _past(200.0, rng, stop=0.9), TERMINAL)
    answer = left(library, _seen(200.0, 0.5, rng), TERMINAL)
    assert answer is not None
    assert answer.median == pytest.approx(5.0, rel=0.10)


def test_runs_that_lie_above_the_limit_from_the_first_minute_on_are_kept() -> None:
    """Twice the terminal drop all the time, six times: nothing can be tried on them, and the guessed rest stays."""
    at, library = np.linspace(1.0, 200.0, 200), Library()
    for _ in range(6):
        library = learn(
            library, past_run(at, np.full(200, 2 * TERMINAL), np.ones(200), at / 20.0, 200.0, None), TERMINAL
        )
    assert len(library.runs) == 6
    assert library.rest == pytest.approx(0.05 * library.runs[0].hours[-1])


def test_beyond_the_terminal_drop_nothing_is_left() -> None:
    """A drop above terminal has no time left, with or without earlier runs."""
    rng = np.random.default_rng(9)
    assert left(Library(), _seen(200.0, 1.05, rng), TERMINAL) == Left(0.0, 0.0, 0.0, 0)
