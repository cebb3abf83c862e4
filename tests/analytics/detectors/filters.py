"""A media filter made by a pure generator: seed in, minutes out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analytics.conditions import Water
from analytics.detectors.dp_rise import PLUGIN
from analytics.frame import Block
from skidhand.fleet import SkidView
from tests.analytics.detectors import build

CLEAN = 20.0  # kPa at 20 m3/h and 25 °C
TERMINAL = 80.0
WASH = 12  # minutes
FLOW = 20.0
WATER = Water(90.0)


@dataclass
class Made:
    """Minutes of one filter, all arrays (n,); ``starts`` the first minute (position) of each run."""

    flow: np.ndarray
    dp: np.ndarray
    celsius: np.ndarray
    oil: np.ndarray
    washing: np.ndarray
    starts: list[int]


def make(
    lives: Sequence[float],
    *,
    seed: int = 1,
    flow: np.ndarray | float = FLOW,
    celsius: np.ndarray | float = 25.0,
    dirt: Sequence[float] = (),
    last: int | None = None,
    slug: tuple[int, int] | None = None,
) -> Made:
    """Runs that reach the terminal drop after ``lives`` hours at 20 m3/h and 25 °C, each washed there.

    R = 1 + 3 x^1.5 of the throughput x over its life. ``dirt``: what each wash leaves of R - 1 before its run.
    ``last`` ends the series that many minutes after the last run began. ``slug``: minutes in which the water
    carries three times the oil and, from its begin on, deposits three times as fast.
    """
    rng = np.random.default_rng(seed)
    n = 100_000
    q = np.broadcast_to(np.asarray(flow, dtype=float), (n,)) if np.ndim(flow) == 0 else np.asarray(flow, dtype=float)
    t = np.broadcast_to(np.asarray(celsius, dtype=float), (n,)) if np.ndim(celsius) == 0 else np.asarray(celsius)
    dp, washing, starts, minute = [], [], [], 0
    for k, life in enumerate(lives):
        starts.append(minute)
        left, x = (dirt[k] if k < len(dirt) else 0.0), 0.0
        while True:
            rate = 3.0 if slug is not None and minute >= slug[0] else 1.0
            x += rate * q[minute] / FLOW / 60.0 / life
            clean = CLEAN * (0.9 * WATER.viscosity_ratio(t[minute]) * q[minute] / FLOW + 0.1 * (q[minute] / FLOW) ** 2)
            value = clean * (1.0 + left + 3.0 * x**1.5)
            done = k == len(lives) - 1 and last is not None and minute - starts[-1] >= last
            if value >= TERMINAL or done or minute + WASH + 1 >= min(n, len(q)):
                break
            dp.append(value + 0.3 * rng.standard_normal())
            washing.append(False)
            minute += 1
        if k < len(lives) - 1:
            dp += [0.0] * WASH
            washing += [True] * WASH
            minute += WASH
    size = len(dp)
    oil = 100.0 + 3.0 * rng.standard_normal(size)
    if slug is not None:
        oil[slug[0] : slug[1]] *= 3.0
    wash = np.array(washing)
    return Made(
        np.where(wash, 0.0, q[:size] + 0.1 * rng.standard_normal(size)),
        np.array(dp), t[:size].copy(), oil, wash, starts,
    )  # fmt: skip


def block(view: SkidView, made: Made, *, tag: bool = True, flags: np.ndarray | None = None) -> Block:
    """The filter's minutes as detectors see them, ten minutes of settling after each wash."""
    settling = made.washing.copy()
    for k in range(1, 11):
        settling[k:] |= made.washing[:-k]
    flow = {("filter", "flow"): made.flow} if view.by_id["filter"].has("flow") else {}
    return build.block(
        view,
        {("filter", "dp"): made.dp, ("tank", "temperature"): made.celsius, ("cyclone", "outlet_oil"): made.oil, **flow},
        flags=None if flags is None else {("filter", "dp"): flags},
        washing={"filter": made.washing} if tag else {"filter": np.zeros(len(made.dp), dtype=bool)},
        settling=settling,
    )  # fmt: skip


def said(view: SkidView, data: Block) -> list[tuple[int, str, str | None, str, bool]]:
    """(position, kind, cause, severity, ended) of all that the detector says."""
    _, drafts = build.run(PLUGIN, view, "filter", data)
    return [(d.minute - build.MINUTE0, d.kind, d.cause, d.severity, d.ended is not None) for d in drafts]
