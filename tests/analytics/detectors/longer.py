"""A week of one cyclone for what learns for days: readings that wander together, one of which leaves the others."""

from __future__ import annotations

from functools import cache

import numpy as np

from analytics.frame import Block
from tests.analytics.detectors import build

HOURS = 168
VIEW = build.skid("      - {id: skid, type: skid, roles: {}}\n" + build.TRAIN.strip("\n"))
DEVIATES = 130  # hour


@cache
def plant(*, faults: bool) -> Block:
    """Flow wanders over a day as a first-order process; pressures go with its square, each with noise of its own."""
    rng, n = np.random.default_rng(23), HOURS * 60
    wander = np.zeros(n)
    for i in range(1, n):
        wander[i] = 0.999 * wander[i - 1] + 0.01 * rng.standard_normal()
    flow = 20.0 + wander
    off = faults * np.clip((np.arange(n) / 60.0 - DEVIATES) / 4.0, 0.0, 1.0)

    def noisy(level: np.ndarray | float, size: float) -> np.ndarray:
        return level + size * rng.standard_normal(n)

    values = {
        ("cyclone", "inlet_flow"): noisy(flow, 0.05),
        ("cyclone", "inlet_pressure"): noisy(flow**2, 0.5),
        ("cyclone", "outlet_pressure"): noisy(0.5 * flow**2 + 20.0 * off, 0.5),
        ("cyclone", "reject_pressure"): noisy(0.15 * flow**2, 0.5),
        ("cyclone", "reject_flow"): noisy(0.02 * flow, 0.004),
        ("tank", "level"): noisy(1.3, 0.01),
    }
    return build.block(VIEW, values)
