"""How much water a filter can still take, learnt from its own earlier runs.

A run is a curve: pressure drop against throughput since the wash. Runs of one filter have one shape, stretched
along the throughput axis by the load of the water. For every earlier run and every stretch we ask how well it
explains what this run has shown so far, and how usual such a stretch is; the answers weight what each says is
left. Early in a run the usual stretch decides, late in it the shape; where no earlier run fits, shape counts less.
Flow and viscosity are taken out of shapes and put back in at the end: as they are now, or, where flow turned out
to follow the run itself (a pump that gives way), as they went on in the earlier runs. The interval is as wide
as would have held for the earlier runs themselves.

Where no run has ended yet, the blocking laws (Hermia, Trans. IChemE 60, 1982, 183) extrapolate the run alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from statistics import median
from typing import Final

import numpy as np
from pydantic import BaseModel, ConfigDict

from analytics.blocking import extrapolate
from analytics.frame import F64
from analytics.past_runs import RECENT, PastRun, Seen
from analytics.run_shapes import SMALL, Shape, load_exponent, shapes_of

# Settings without a published source are common practice. They were chosen with the training runs of the open
# recording phme20 in view (tests/analytics/detectors/test_phme20.py), so its figures are not blind.
MOST_RUNS: Final = 16  # earlier runs that are kept: an older one would count less than 1 %
FEW_RUNS: Final = 3  # below this the spread of lives is a guess
GUESSED_SPREAD: Final = 0.25  # of the logarithm of life, while it is a guess
LEAST_SPREAD: Final = 0.03
FORGET: Final = 0.3  # each run back counts exp(-0.3) as much
MISFIT: Final = 0.07  # of log drop, that two runs of one filter differ by
UNLIKE: Final = 2.0  # misfits of the best of them, above which the present run is unlike all earlier ones
WHOLE_RUN_COUNTS: Final = 12.0  # independent comparisons in a whole run: neighbours in time are not independent
SPEAKS: Final = 0.5  # share of the terminal drop above which a run's own curve says something
HELD_OUT: Final = (0.15, 0.3, 0.5, 0.7, 0.9)  # shares of a run at which the interval is checked
COVER: Final = 0.80
LATE: Final = 0.6  # share of a run from which its interval is checked by itself: errors are of another kind there
GUESSED_REST: Final = 0.05  # of the usual length of a run, while runs are few
WASHED: Final = (0.85, 1.25)  # of the terminal drop, between which a run was ended for its drop
_TAIL: Final = 4.0  # degrees of freedom of the Student prior on the stretch: unusual runs are allowed
_STRETCH: Final = np.sinh(np.linspace(-4.0, 4.0, 61)) / np.sinh(4.0)  # dense near 0, -1 to 1
_LOG_STEP: Final = np.log(np.gradient(_STRETCH))


class Library(BaseModel):
    """What a filter's earlier runs teach. ``widen`` stretches the interval (early, late in a run) so that it holds for
    them; ``rest`` are the hours by which forecasts shortly before the end were off: nobody washes at one drop always.

    ``repeats``: flow and temperature go the same way in every run, by what the runs tell of each other.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    runs: tuple[PastRun, ...] = ()
    widen: tuple[float, float] = (1.0, 1.0)
    rest: float = 0.0
    repeats: bool = False

    @cached_property
    def usual_hours(self) -> float | None:
        """Median length of the runs."""
        return median(run.hours[-1] for run in self.runs) if self.runs else None

    def level(self, terminal: float) -> float:
        """The drop at which runs washed for their drop have ended, at most ``terminal``, which it is until two were."""
        low, high = WASHED
        ends = [run.drops[-1] for run in self.runs if low * terminal <= run.drops[-1] <= high * terminal]
        return min(median(ends), terminal) if len(ends) >= 2 else terminal

    @cached_property
    def usual_conditions(self) -> float:
        """The condition factor that the runs mostly had; 1 where there are none."""
        return median(median(run.factors) for run in self.runs) if self.runs else 1.0


@dataclass(frozen=True, slots=True)
class Left:
    """Hours in service left to the terminal drop: median and ends of an 80 % interval; earlier ``runs`` it rests on."""

    median: float
    low: float
    high: float
    runs: int


def sooner(one: Left | None, other: Left | None) -> Left | None:
    """What comes first of two ends, whichever it is."""
    if one is None or other is None:
        return one or other
    return Left(
        min(one.median, other.median), min(one.low, other.low), min(one.high, other.high), max(one.runs, other.runs)
    )


def left(library: Library, seen: Seen, terminal: float) -> Left | None:
    """Hours left of the present run to the drop ``terminal`` at present conditions; None if nothing tells.

    A run unlike all earlier ones is judged by its own curve as well, once that curve says something.
    """
    drop = median(seen.drops[-3:].tolist())
    if drop >= terminal:
        return Left(0.0, 0.0, library.widen[1] * library.rest, len(library.runs))
    shapes = shapes_of(library.runs, terminal)
    thin = seen.thinned()
    answer = _mixture(shapes, thin, terminal, library.repeats) if shapes else None
    if answer is not None and (answer.unlike == 0.0 or drop < SPEAKS * terminal):
        return _widened(answer, library, seen, len(shapes))
    alone = extrapolate(thin.at, thin.drops / thin.factors, seen.now, terminal / seen.present)
    own = None if alone is None else Left(alone[0] * seen.pace, alone[1] * seen.pace, alone[2] * seen.pace, 0)
    if answer is None or own is None:
        return own if answer is None else _widened(answer, library, seen, len(shapes))
    known = _widened(answer, library, seen, len(shapes))
    first = min(known.median, own.median)
    return Left(first, min(known.low, own.low), max(known.high, own.median), len(shapes))


def _widened(answer: _Answer, library: Library, seen: Seen, runs: int) -> Left:
    widen = library.widen[int(seen.now >= LATE * median(run.end for run in library.runs))]
    low = answer.median - widen * (answer.median - answer.low + library.rest)
    high = answer.median + widen * (answer.high - answer.median + library.rest)
    return Left(answer.median, max(0.0, low), high, runs)


def learn(library: Library, run: PastRun, terminal: float) -> Library:
    """The library with one more finished run, its interval checked anew against the runs in it."""
    runs = (*library.runs, run)[-MOST_RUNS:]
    shapes = shapes_of(runs, terminal)
    guess = GUESSED_REST * median(run.hours[-1] for run in runs)
    if len(shapes) <= FEW_RUNS:
        return Library(runs=runs, rest=guess)
    tried = {repeats: _tried(shapes, terminal, repeats) for repeats in (False, True)}
    repeats = sum(t.missed for t in tried[True]) < sum(t.missed for t in tried[False])
    late = [t.error for t in tried[repeats] if t.share == HELD_OUT[-1]]
    rest = median(late) if late else guess  # of runs too unlike each other nothing may be told by the rest
    return Library(runs=runs, widen=_calibrated(tried[repeats], rest, len(shapes)), rest=rest, repeats=repeats)


def _calibrated(tried: list[_Trial], rest: float, runs: int) -> tuple[float, float]:
    """Split conformal prediction, early and late in a run: the quantile of what half-intervals were missed by.

    With n runs the 80 % quantile needs the share 0.8 (1 + 1/n).
    """
    parts = [[t.error / max(t.half + rest, 1e-9) for t in tried if (t.share >= LATE) == late] for late in (False, True)]
    share = min(1.0, COVER * (1.0 + 1.0 / runs))
    early, late = (min(max(float(np.quantile(part, share)), 0.3), 3.0) if part else 1.0 for part in parts)
    return early, late


@dataclass(frozen=True, slots=True)
class _Answer:
    """Quantiles of the hours left; ``unlike`` > 0 where no earlier run explains the present one."""

    median: float
    low: float
    high: float
    unlike: float = 0.0


@dataclass(frozen=True, slots=True)
class _Trial:
    """A run told by the others at a share of its life: hours and share of its length missed by, half the interval."""

    share: float
    error: float
    missed: float
    half: float


def _tried(shapes: list[Shape], terminal: float, repeats: bool) -> list[_Trial]:
    """Each run at shares of its life, told by the others."""
    found: list[_Trial] = []
    for k, held in enumerate(shapes):
        at = held.at[: len(held.factors)]
        for share in HELD_OUT:
            now = share * held.life
            part = at <= now
            if part.sum() < 2:
                continue
            then, spent, end = (float(h) for h in np.interp((now * (1 - RECENT), now, held.end), held.at, held.hours))
            pace = (spent - then) / (now * RECENT)
            seen = Seen(at[part], np.asarray(held.run.drops)[part], held.factors[part], now, pace, held.load)
            answer = _mixture(shapes[:k] + shapes[k + 1 :], seen.thinned(), terminal, repeats)
            if answer is not None:
                error = end - spent - answer.median
                half = answer.high - answer.median if error > 0 else answer.median - answer.low
                found.append(_Trial(share, abs(error), abs(error) / end, half))
    return found


def _mixture(shapes: list[Shape], seen: Seen, terminal: float, repeats: bool) -> _Answer | None:
    """Median, 10 % and 90 % of the hours left over all earlier runs and stretches; None if all would be over."""
    lives = np.array([shape.life for shape in shapes])
    shift = _shift(shapes, lives, seen.load)
    spread = _spread(np.log(lives) + shift)
    offset = max(1.0, 4.0 * spread) * _STRETCH
    prior = _LOG_STEP - (_TAIL + 1.0) / 2.0 * np.log1p((offset / spread) ** 2 / _TAIL)
    shown = np.log(np.maximum(seen.drops / seen.factors, 0.0) + SMALL * terminal)
    misfit, hours, possible = (np.empty((len(shapes), offset.size)) for _ in range(3))
    for k, shape in enumerate(shapes):
        stretch = np.exp(shift[k] + offset)
        own = shape.at[: len(shape.factors)]
        fitted = np.interp(seen.at[None, :] / stretch[:, None], own, shape.log_normal)
        misfit[k] = ((fitted - shown) ** 2).mean(axis=1)
        hours[k], possible[k] = _hours_left(shape, stretch, seen, terminal, repeats)
    counts = WHOLE_RUN_COUNTS * min(1.0, seen.now / median(lives.tolist()))
    age = np.arange(len(shapes))[::-1, None]
    # a run unlike all earlier ones is no evidence for the one that it is least unlike
    unlike = max(0.0, float(misfit.min()) - (UNLIKE * MISFIT) ** 2)
    weights = prior - FORGET * age - 0.5 * counts * misfit / (MISFIT**2 + unlike)
    weights = np.where(possible > 0, weights, -np.inf)
    if not np.isfinite(weights).any():
        return None
    return _quantiles(np.exp(weights - weights.max()).ravel(), hours.ravel(), unlike)


def _hours_left(shape: Shape, stretch: F64, seen: Seen, terminal: float, repeats: bool) -> tuple[F64, F64]:
    """Hours left if the present run is ``shape`` stretched; second array > 0 where it would still be running."""
    here = seen.now / stretch
    if not repeats:
        far: F64 = np.asarray(np.interp(terminal / seen.present, shape.normal, shape.at)) - here
        return stretch * far * seen.pace, far
    # The earlier run had its own flow and temperature at this point of its life: like is compared with like.
    then = np.interp(here * (1.0 - RECENT / 2.0), shape.at[: len(shape.factors)], shape.factors)
    end = np.interp(terminal * then / seen.present, shape.drops, shape.at)
    spent = np.interp(here, shape.at, shape.hours)
    pace_then = (spent - np.interp(here * (1.0 - RECENT), shape.at, shape.hours)) / (here * RECENT)
    pace = np.where(pace_then > 0.0, seen.pace / np.maximum(pace_then, 1e-12), 1.0)
    return stretch * pace * (np.interp(end, shape.at, shape.hours) - spent), end - here


def _shift(shapes: list[Shape], lives: F64, load: float | None) -> F64:
    """Logarithm of how much longer each earlier run would have lived under the present load."""
    loads = np.array([shape.load if shape.load else np.nan for shape in shapes])
    if not load or not np.isfinite(loads).all():
        return np.zeros(len(shapes))
    return load_exponent(loads, lives) * np.log(loads / load)


def _spread(logs: F64) -> float:
    """Robust standard deviation of the logarithm of life (a MAD), or a guess while runs are few."""
    if len(logs) < FEW_RUNS:
        return GUESSED_SPREAD
    away: float = 1.4826 * median(np.abs(logs - median(logs.tolist())).tolist())
    return min(max(away, LEAST_SPREAD), GUESSED_SPREAD)


def _quantiles(chance: F64, values: F64, unlike: float) -> _Answer:
    order = np.argsort(values)
    heap = np.cumsum(chance[order])
    median, low, high = np.interp((0.5, (1 - COVER) / 2, (1 + COVER) / 2), heap / heap[-1], values[order])
    return _Answer(float(median), float(low), float(high), unlike)
