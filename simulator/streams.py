"""Random streams that are the same on every machine and however they are cut into blocks.

Each purpose has a PCG64 generator of its own, seeded from the SHA-256 of (seed, skid, purpose), and every
stream draws one number a step, so that no block length and no other stream can move it.
"""

from __future__ import annotations

import hashlib
import math

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

Floats = npt.NDArray[np.float64]


def generator(seed: int, skid: str, purpose: str) -> np.random.Generator:
    """The generator of one purpose; equal arguments give equal numbers."""
    digest = hashlib.sha256(f"{seed}/{skid}/{purpose}".encode()).digest()
    return np.random.Generator(np.random.PCG64(int.from_bytes(digest[:16], "little")))


class Correlated:
    """AR(1) noise of mean 0 and standard deviation ``sigma``, forgetting with time constant ``tau``.

    ``tau`` and ``step`` in one unit; ``tau`` 0 gives white noise.
    """

    def __init__(self, random: np.random.Generator, sigma: float, tau: float, step: float) -> None:
        self._random = random
        self._memory = math.exp(-step / tau) if tau > 0 else 0.0
        self._kick = sigma * math.sqrt(1.0 - self._memory**2)
        self._carry = np.array([self._memory * sigma * random.standard_normal()])

    def take(self, count: int) -> Floats:
        """The next ``count`` values."""
        if count == 0 or self._kick == 0.0:
            return np.zeros(count)
        shocks = self._kick * self._random.standard_normal(count)
        values, self._carry = lfilter([1.0], [1.0, -self._memory], shocks, zi=self._carry)
        return np.asarray(values, dtype=np.float64)


class Lag:
    """First-order lag with time constant ``tau``; starts at the first value it sees."""

    def __init__(self, tau: float, step: float) -> None:
        self._memory = math.exp(-step / tau) if tau > 0 else 0.0
        self._carry: Floats | None = None

    def take(self, values: Floats) -> Floats:
        """``values`` as a slow element shows them; same shape."""
        if self._memory == 0.0 or len(values) == 0:
            return values
        if self._carry is None:
            self._carry = np.array([self._memory * values[0]])
        gain = 1.0 - self._memory
        slow, self._carry = lfilter([gain], [1.0, -self._memory], values, zi=self._carry)
        return np.asarray(slow, dtype=np.float64)
