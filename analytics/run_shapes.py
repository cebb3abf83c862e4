"""Earlier runs of a filter made ready to be compared with the present one, and what their load does to their life."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from analytics.blocking import extend
from analytics.frame import F64
from analytics.past_runs import PastRun

# Common practice, no source.
SMALL: Final = 0.05  # share of the terminal drop below which differences are noise
AS_WASHED: Final = 0.10  # of the drop that runs end at, within which a run's own end counts


@dataclass(frozen=True)
class Shape:
    """A past run made ready: its curve carried on past its end to beyond the terminal drop."""

    at: F64
    drops: F64  # never falling
    normal: F64  # the same at reference conditions
    hours: F64
    factors: F64
    log_normal: F64
    life: float  # throughput at the terminal drop
    end: float  # where it did end, if that was for its drop and not past the terminal one, else its life
    load: float | None
    run: PastRun


def shapes_of(runs: Sequence[PastRun], terminal: float) -> list[Shape]:
    """Those of ``runs`` that can be carried on to the drop ``terminal`` (kPa)."""
    found = (_shape(run, terminal) for run in runs)
    return [shape for shape in found if shape is not None and shape.life > 0.0]


@lru_cache(maxsize=256)
def _shape(run: PastRun, terminal: float) -> Shape | None:
    at: F64 = np.asarray((np.arange(len(run.drops)) + 0.5) * (run.end / len(run.drops)), dtype=np.float64)
    drops, factors, hours = np.asarray(run.drops), np.asarray(run.factors), np.asarray(run.hours)
    more = extend(at, drops, 2.0 * terminal)
    if more is None:
        return None
    far = np.concatenate([at, more[0]])
    rising = np.maximum.accumulate(np.concatenate([drops, more[1]]))
    life = _crossing(far, rising, terminal)
    return Shape(
        at=far,
        drops=rising,
        normal=np.maximum.accumulate(np.concatenate([drops / factors, more[1] / factors[-1]])),
        hours=np.concatenate([hours, hours[-1] + (more[0] - at[-1]) * (hours[-1] / at[-1])]),
        factors=factors,
        log_normal=np.log(np.maximum(drops / factors, 0.0) + SMALL * terminal),
        life=life,
        end=min(run.end, life) if run.washed and abs(run.drops[-1] / terminal - 1.0) <= AS_WASHED else life,
        load=run.load,
        run=run,
    )


def _crossing(at: F64, drops: F64, level: float) -> float:
    k = int(np.searchsorted(drops, level))
    if k in (0, len(drops)):
        return float(at[min(k, len(at) - 1)])
    share = (level - drops[k - 1]) / (drops[k] - drops[k - 1])
    return float(at[k - 1] + share * (at[k] - at[k - 1]))


def load_exponent(loads: F64, lives: F64) -> float:
    """n in life ∝ load⁻ⁿ: weighted median over neighbouring runs, with one more pair that says 1.

    Neighbours, because the water changes slowly in other ways too; 1 is a bed that holds one mass.
    """
    x, y = np.diff(np.log(loads)), np.diff(np.log(lives))
    moved = np.abs(x) > 1e-6
    slopes = np.append(-y[moved] / x[moved], 1.0)
    heft = np.append(np.abs(x[moved]), 0.05)
    order = np.argsort(slopes)
    heap = np.cumsum(heft[order])
    return min(max(float(slopes[order][np.searchsorted(heap, heap[-1] / 2.0)]), 0.0), 2.0)
