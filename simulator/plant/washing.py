"""Who starts a backwash, and when: the skid's controller or a person."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from simulator.plant.conditions import Conditions

SURE = 3  # minutes above the trigger before anybody believes it
PERSON_AT = 0.94  # share of the terminal drop at which a person goes (common practice, no source)
PERSON_MINUTES = (10, 40)  # how long it takes the person to be there


@dataclass(slots=True)
class WashControl:
    """Decides once a minute; ``terminal`` kPa is the drop at which the bed must be washed.

    A controller also washes ``timer`` hours after the last wash, whatever the drop.
    """

    by: Literal["person", "controller"]
    terminal: float
    random: np.random.Generator
    timer: float = 48.0
    above: int = 0
    waiting: int | None = None
    since_wash: float = field(default=0.0)  # h

    def wants(self, dp: float, now: Conditions) -> bool:
        """Asked once a minute: True when a wash should start now; :meth:`begin` tells that it does."""
        self.since_wash += 1.0 / 60.0
        trigger = self.terminal * (PERSON_AT if self.by == "person" else 1.0) * now.wash_trigger
        self.above = self.above + 1 if dp >= trigger else 0
        return not now.wash_blocked and (now.wash or self._due())

    def begin(self) -> None:
        """The wash begins: what led to it is forgotten."""
        self.above, self.waiting, self.since_wash = 0, None, 0.0

    def _due(self) -> bool:
        if self.by == "controller":
            return self.above >= SURE or self.since_wash >= self.timer
        if self.waiting is None and self.above >= SURE:
            self.waiting = int(self.random.integers(*PERSON_MINUTES))
        elif self.waiting is not None:
            self.waiting -= 1
        return self.waiting is not None and self.waiting <= 0
