"""Change points on open series that people annotated: what is found, beside another scale of the penalty and silence.

TCPD (G. J. J. van den Burg & C. K. I. Williams, arXiv 2003.06222): F1 with a margin of 5 points, and cover. One fixed
setting for all series. Skipped where the recordings are not there; they are never part of this repository.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from analytics.changepoints import changes, noise
from analytics.frame import F64
from benchmarks import open_filters
from benchmarks.harness import Row
from tests.support import datasets

MARGIN: Final = 5
SEVERAL: Final = frozenset({"run_log"})  # two variables; changes() looks at one

Annotations = Mapping[str, Sequence[int]]


def measure(quick: bool) -> Iterator[Row]:  # noqa: ARG001  (the same either way: a second)
    """See :class:`benchmarks.harness.Group`."""
    root = datasets.folder()
    folder = None if root is None else root / "tcpd" / "dev"
    if root is None or folder is None or not folder.is_dir():
        yield Row("change points, F1", note="skipped: no open recordings; SKIDHAND_DATASETS names their folder")
        return
    own = _scores(folder, changes)
    steps = _scores(folder, lambda values: changes(values, sigma=noise(values)))
    silent = _scores(folder, lambda _: [])
    note = "beside: scaled by differences' noise"
    yield Row("change points, F1", "", own[0], steps[0], "≥ 0.74", own[0] >= 0.74, note)
    yield Row("change points, cover", "", own[1], steps[1], "≥ 0.68", own[1] >= 0.68, note)
    yield Row("change points, F1 of silence", "", silent[0], note="what a method that finds nothing is given")
    yield Row("change points, cover of silence", "", silent[1])
    yield from open_filters.measure(root)


def f1(annotations: Annotations, found: Sequence[int]) -> float:
    """Precision against what anybody marked, recall averaged over people; the first point counts as marked by all."""
    guessed = {0, *found}
    anybody = {0}.union(*annotations.values())
    precision = _hits(anybody, guessed) / len(guessed)
    recall = float(np.mean([_hits({0, *each}, guessed) / len({0, *each}) for each in annotations.values()]))
    return 2 * precision * recall / (precision + recall)


def cover(annotations: Annotations, found: Sequence[int], n: int) -> float:
    """Each marked segment's best overlap (Jaccard) with a found one, weighted by length, averaged over people."""
    return float(np.mean([_covered(_segments(each, n), _segments(found, n), n) for each in annotations.values()]))


def _scores(folder: Path, method: Callable[[F64], Sequence[int]]) -> tuple[float, float]:
    marked = json.loads((folder / "annotations.json").read_text(encoding="utf-8"))
    scores = []
    for name, rows in pd.read_parquet(folder / "series.parquet").groupby("dataset"):
        if name not in SEVERAL:
            values = rows.sort_values("idx")["value"].to_numpy(np.float64)
            there = np.flatnonzero(np.isfinite(values))
            found = [int(there[k]) for k in method(values[there])]
            scores.append((f1(marked[name], found), cover(marked[name], found, len(values))))
    means = np.mean(scores, axis=0)
    return float(means[0]), float(means[1])


def _hits(marked: set[int], guessed: set[int]) -> int:
    left, hits = set(guessed), 0
    for point in sorted(marked):
        near = min(left, key=lambda other: (abs(other - point), other), default=None)
        if near is not None and abs(near - point) <= MARGIN:
            left.discard(near)
            hits += 1
    return hits


def _segments(points: Sequence[int], n: int) -> list[tuple[int, int]]:
    return list(pairwise([0, *sorted({k for k in points if 0 < k < n}), n]))


def _covered(marked: list[tuple[int, int]], found: list[tuple[int, int]], n: int) -> float:
    def overlap(a: int, b: int) -> float:
        return max(max(0, min(b, d) - max(a, c)) / (max(b, d) - min(a, c)) for c, d in found)

    return sum((b - a) * overlap(a, b) for a, b in marked) / n
