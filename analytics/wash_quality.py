"""Whether washes clean a filter: its clean drop after each wash, against that of its good washes."""

from __future__ import annotations

from statistics import median
from typing import Final

from pydantic import BaseModel, ConfigDict

# Common practice, no source.
KEPT: Final = 24  # washes
CLEAN_AGAIN: Final = 1.10  # a good wash takes the drop back to its clean value ±5 %
STAIRS: Final = 3  # washes in a row that did not clean; one is not a fault
BEFORE: Final = 2  # good washes that must be known first
REMEMBERED: Final = 8  # good washes whose median is the baseline


class Washes(BaseModel):
    """``cleans``: (first minute of the run, clean drop at reference conditions) after each wash.

    ``baseline`` is the clean drop after good washes. ``weak`` counts the latest washes in a row that did not
    clean; ``since`` is the first of them once they are enough to speak of.
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
        good = [drop for _, drop in cleans[: -(self.weak + 1)]]
        baseline = median(good[-REMEMBERED:]) if len(good) >= BEFORE else min(drop for _, drop in cleans)
        if clean <= CLEAN_AGAIN * baseline:
            good = [drop for _, drop in cleans if drop <= CLEAN_AGAIN * baseline]
            return Washes(cleans=cleans, baseline=median(good[-REMEMBERED:]))
        weak = self.weak + 1
        stairs = weak >= STAIRS and len(good) >= BEFORE and clean >= cleans[-min(weak, len(cleans))][1]
        since = cleans[-weak][0] if self.since is None and stairs else self.since
        return Washes(cleans=cleans, baseline=baseline, weak=min(weak, KEPT - 1), since=since)
