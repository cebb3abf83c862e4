"""Codes that answer prompts: short, in no order that could be guessed, and long out of use before they return."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterable
from datetime import timedelta
from typing import Final

REST: Final = timedelta(days=180)
"""A cleared prompt's code is given to another only after this time."""

LENGTHS: Final = (4, 5, 6)


class Taken(set[str]):
    """Codes in use, with how many there are of each length; only :meth:`add` may change it."""

    def __init__(self, codes: Iterable[str] = ()) -> None:
        super().__init__(codes)
        self.lengths = Counter(map(len, self))

    def add(self, code: str) -> None:
        """One more."""
        if code not in self:
            super().add(code)
            self.lengths[len(code)] += 1


def mint(taken: Taken, rng: random.Random) -> str:
    """A code that is not in ``taken``: four digits, more once half of those are in use. Never begins with 0."""
    for length in LENGTHS:
        low, high = 10 ** (length - 1), 10**length
        if taken.lengths[length] * 2 < high - low or length == LENGTHS[-1]:
            free = (str(rng.randrange(low, high)) for _ in range(100_000))
            code = next((code for code in free if code not in taken), None)
            if code is not None:
                return code
    raise ValueError(f"no answer code is free: {len(taken)} are in use or resting")
