"""Who starts a backwash, and when: the skid's controller or a person."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

SURE = 3  # minutes above the trigger before anybody believes it
PERSON_AT = 0.94  # share of the terminal drop at which a person goes (common practice, no source)
PERSON_MINUTES = (10, 40)  # how long it takes the person to be there
TIMER_HOURS = 48.0  # a controller washes after so long in any case


@dataclass
class WashControl:
    """Decides once a minute; ``terminal`` kPa is the drop at which the bed must be washed."""

    by: Literal["person", "controller"]
    terminal: float
    random: np.random.Generator
    above: int = 0
    waiting: int | None = None
    since_wash: float = field(default=0.0)  # h

    def decide(self, dp: float, asked: bool) -> bool:
        """True when a wash starts in this minute. ``asked``: somebody wants one regardless of the drop."""
        self.since_wash += 1.0 / 60.0
        trigger = self.terminal * (PERSON_AT if self.by == "person" else 1.0)
        self.above = self.above + 1 if dp >= trigger else 0
        if asked or self._due():
            self.above, self.waiting, self.since_wash = 0, None, 0.0
            return True
        return False

    def _due(self) -> bool:
        if self.by == "controller":
            return self.above >= SURE or self.since_wash >= TIMER_HOURS
        if self.waiting is None and self.above >= SURE:
            self.waiting = int(self.random.integers(*PERSON_MINUTES))
        elif self.waiting is not None:
            self.waiting -= 1
        return self.waiting is not None and self.waiting <= 0
