"""What every detector must bear: readings that are lost, zero or nonsense for hours, stops and strange washes."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.detectors.base import Detector
from analytics.engine import builtin_detectors
from analytics.frame import Block, Flag
from skidhand.fleet import SkidView
from tests.analytics.detectors import build, rest

DETECTORS = sorted(builtin_detectors().values(), key=lambda d: d.name)
VIEWS = {"train": build.skid(), "rest": rest.view()}
N = 3000
WORST = 6  # pieces of a reading that are spoilt, at most


def _reading(rng: np.random.Generator, high: float) -> np.ndarray:
    """One reading (N,) in its range: zero throughout, or in pieces lost, times 0 to 3, zero, held or creeping."""
    values = np.zeros(N) if rng.random() < 0.3 else np.full(N, high * rng.uniform(0.0, 0.9))
    for _ in range(rng.integers(0, WORST)):
        begin, length = rng.integers(0, N), rng.integers(1, N // 2)
        piece = values[begin : begin + length]
        piece[:] = (
            np.full(len(piece), np.nan), piece * rng.uniform(0.0, 3.0), np.zeros(len(piece)),
            np.full(len(piece), 1.031 * high), piece + np.linspace(0.0, high * rng.uniform(-0.5, 0.5), len(piece)),
        )[rng.integers(0, 5)]  # fmt: skip
    return values * (1.0 + 0.01 * rng.standard_normal(N)) if rng.random() < 0.5 else values


def _odd(view: SkidView, seed: int) -> Block:
    rng = np.random.default_rng(seed)
    values, stds, flags = {}, {}, {}
    running = np.ones(N, dtype=bool)
    for _ in range(6):
        begin = rng.integers(0, N)
        running[begin : begin + rng.integers(5, 300)] = False
    for unit in view.units:
        for role, known in unit.instruments.items():
            key, high = (unit.id, role), (known.range or (0.0, 100.0))[1]
            values[key] = rng.integers(0, 2, N).astype(float) if known.states else _reading(rng, high)
            stds[key] = float(rng.choice([0.0, 0.1, np.nan]))
            flags[key] = np.where(rng.random(N) < 0.002, int(Flag.SPIKE), 0)
    washing = {unit.id: rng.random(N) < 0.001 for unit in view.of_type("media_filter")}
    return build.block(
        view, values, stds=stds, flags=flags, running=running, settling=~running, washing=washing
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("name", VIEWS)
@pytest.mark.parametrize("detector", DETECTORS, ids=lambda one: one.name)
def test_odd_readings_end_nothing(detector: Detector, name: str, seed: int) -> None:
    """No unit's readings make it fail, and cut into pieces it says the same of them."""
    view = VIEWS[name]
    block = _odd(view, seed)
    for unit in view.units:
        if detector.unit_type in ("*", unit.type.name) and detector.needs(unit, view).watched:
            whole = build.run(detector, view, unit.id, block)[1]
            assert build.run(detector, view, unit.id, block, [7, 1000, 1001, 2303])[1] == whole
