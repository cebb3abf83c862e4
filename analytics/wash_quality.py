"""Whether washes clean a filter: its clean drop after each wash, against that of its good washes."""

from __future__ import annotations

from itertools import pairwise
from statistics import median_high
from typing import Final

from pydantic import BaseModel, ConfigDict

# Common practice, no source.
KEPT: Final = 24  # washes
CLEAN_AGAIN: Final = 1.10  # a good wash takes the drop back to its clean value ±5 %
STAIRS: Final = 3  # washes in a row that did not clean; one is not a fault
STEP: Final = 1.02  # times the clean drop after the wash before, from which a wash left more than that one
CLIMB: Final = 4  # washes in a row that each left more, that count where a single one before them is known
BEFORE: Final = 2  # good washes that must be known first
REMEMBERED: Final = 8  # good washes whose median is the baseline


class Washes(BaseModel):
    """``cleans``: (first minute of the run, clean drop at reference conditions) after each wash.

    ``baseline`` is the clean drop after good washes. ``weak`` counts the latest washes in a row that did not
    clean; ``since`` is the first of them once they are enough to speak of. Washes that each leave a little more than
    the one before are weak from the first of them on, or a slow climb would take its own measure along.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    cleans: tuple[tuple[int, float], ...] = ()
    baseline: float | None = None
    weak: int = 0
    since: int | None = None

    def after(self, began: int, clean: float) -> Washes:
        """With one more wash."""
        cleans = (*self.cleans, (began, clean))[-KEPT:]
        # Washes under suspicion must not move what they are compared with.
        climb = _climb([drop for _, drop in cleans])
        stairs = climb >= STAIRS and clean > CLEAN_AGAIN * cleans[-climb - 1][1]
        weak = max(climb if stairs else 0, self.weak + 1)
        good = [drop for _, drop in cleans[:-weak]]
        # The higher of two: a single low drop is a channel rather than a cleaner bed.
        if len(good) >= BEFORE:
            baseline = median_high(good[-REMEMBERED:])
        elif self.since is not None and self.baseline is not None:
            baseline = self.baseline  # so many were weak that no good one is kept any more
        else:
            baseline = min(drop for _, drop in cleans)
        if clean <= CLEAN_AGAIN * baseline:
            good = [drop for _, drop in cleans if drop <= CLEAN_AGAIN * baseline]
            return Washes(cleans=cleans, baseline=median_high(good[-REMEMBERED:]))
        known = len(good) >= BEFORE or climb >= CLIMB
        since = self.since
        if since is None and known and weak >= STAIRS and clean >= cleans[-min(weak, len(cleans))][1]:
            since = next(at for at, drop in cleans[-weak:] if drop > CLEAN_AGAIN * baseline)
        return Washes(cleans=cleans, baseline=baseline, weak=min(weak, KEPT - 1), since=since)


def _climb(drops: list[float]) -> int:
    """How many of the latest clean drops were each a step above the one before."""
    steps = [later > STEP * earlier for earlier, later in pairwise(drops)]
    return steps[::-1].index(False) if False in steps else len(steps)
