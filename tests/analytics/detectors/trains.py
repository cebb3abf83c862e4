"""A whole quiet train as arrays, to which a test adds its trouble."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from analytics.detectors.base import Detector, Draft
from analytics.frame import Block
from skidhand.fleet import SkidView
from tests.analytics.detectors import build

Values = dict[tuple[str, str], np.ndarray]
LEVELS = {
    ("strainer", "flow"): (20.0, 0.1),
    ("strainer", "dp"): (15.0, 0.15),
    ("tank", "inlet_flow"): (20.0, 0.1),
    ("tank", "level"): (1.3, 0.005),
    ("tank", "interface_level"): (1.2, 0.005),
    ("tank", "temperature"): (25.0, 0.05),
    ("tank", "outlet_oil"): (100.0, 3.0),
    ("cyclone", "inlet_flow"): (20.0, 0.1),
    ("cyclone", "inlet_pressure"): (600.0, 1.0),
    ("cyclone", "outlet_pressure"): (400.0, 1.0),
    ("cyclone", "reject_pressure"): (260.0, 1.0),
    ("cyclone", "reject_flow"): (0.4, 0.003),
    ("cyclone", "outlet_oil"): (15.0, 0.4),
    ("filter", "flow"): (20.0, 0.1),
    ("filter", "dp"): (30.0, 0.3),
    ("filter", "temperature"): (25.0, 0.05),
    ("filter", "outlet_oil"): (5.0, 0.15),
    ("filter", "backwash"): (0.0, 0.0),
}


def quiet(minutes: int, seed: int = 1) -> Values:
    """Independent normal noise about a steady train."""
    rng = np.random.default_rng(seed)
    return {key: level + spread * rng.standard_normal(minutes) for key, (level, spread) in LEVELS.items()}


def ramp(minutes: int, start: int, stop: int, rise: float) -> np.ndarray:
    """0 until ``start``, then a straight line to ``rise`` at ``stop``, and 0 again from there on."""
    t = np.arange(minutes)
    return np.where((t >= start) & (t < stop), rise * (t - start) / (stop - start), 0.0)


def said(
    detector: Detector,
    view: SkidView,
    unit: str,
    values: Mapping[tuple[str, str], Sequence[float]],
    cuts: Sequence[int] = (),
    **how,
) -> list[Draft]:
    """What the detector says over the arrays, cut at ``cuts``."""
    return build.run(detector, view, unit, block(view, values, **how), cuts)[1]


def block(view: SkidView, values: Mapping[tuple[str, str], Sequence[float]], **how) -> Block:
    """The arrays of those roles that the skid has."""
    known = {(u, r): v for (u, r), v in values.items() if u in view.by_id and view.by_id[u].has(r)}
    return build.block(view, known, **how)


def words(drafts: Sequence[Draft]) -> list[tuple[int, str | None, str, int, int | None]]:
    """(minute, cause, severity, onset, ended) of each, minutes from the block's first."""
    return [
        (
            d.minute - build.MINUTE0,
            d.cause,
            d.severity,
            d.onset - build.MINUTE0,
            None if d.ended is None else d.ended - build.MINUTE0,
        )
        for d in drafts
    ]
