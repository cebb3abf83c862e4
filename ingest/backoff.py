"""Waiting times between tries: they grow, have a random part, and an upper limit."""

from __future__ import annotations

import random


class Backoff:
    """Delays in seconds: about ``first``, doubling to about ``limit``, each cut by up to a half at random.

    The random part keeps many workers that lost one broker or store from coming back at one moment.
    """

    def __init__(self, first: float = 0.5, limit: float = 30.0) -> None:
        self._first, self._limit, self._next = first, limit, first
        self._random = random.Random()

    def next(self) -> float:
        """The delay before the next try."""
        delay, self._next = self._next, min(2 * self._next, self._limit)
        return delay * self._random.uniform(0.5, 1.0)

    def reset(self) -> None:
        """It worked: begin anew."""
        self._next = self._first
