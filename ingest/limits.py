"""Fixed limits of each instrument: its current loop, its declared range, and the spans of its ``checks``.

* NAMUR NE 43 (2021-07-26): a 4-20 mA loop measures from 3.8 to 20.5 mA; at 3.6 mA or less, and at 21 mA or
  more, it signals a failure.
* QARTOD gross range (U.S. IOOS, Manual for Real-Time Quality Control, doi 10.7289/V5V40SD4): outside the
  suspect span a value is suspect, outside the fail span it has failed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from ingest.columns import Columns, Floats
from ingest.doubts import AT_HIGH, AT_LOW, UNCERTAIN_UNITS_EXCEEDED, Doubt, Doubts, worsen
from ingest.doubts import UNCERTAIN_NOT_ACCURATE as INACCURATE
from skidhand.fleet import Instrument
from skidhand.model.quality import BAD, BAD_SENSOR_FAILURE, UNCERTAIN

NONE: Final = (-math.inf, math.inf)
ROUNDING: Final = 1e-9
"""Of the range: how far a gateway's rounding may shift the limits of a current loop."""


@dataclass(frozen=True, slots=True)
class Band:
    """Values below ``low`` or above ``high`` (arrays by series code) get a status for their doubt."""

    doubt: Doubt
    low: Floats
    high: Floats
    below: int
    above: int


def build_bands(instruments: Sequence[Instrument]) -> tuple[Band, ...]:
    """The bands in the order in which they are judged; those that no instrument has are left out."""
    bands: Iterable[tuple[Doubt, Callable[[Instrument], tuple[float, float]], int, int]] = (
        (Doubt.SIGNAL_FAILED, lambda i: _loop(i, 3.6, 21.0, ROUNDING), BAD_SENSOR_FAILURE, BAD_SENSOR_FAILURE),
        (Doubt.SIGNAL_LIMITED, lambda i: _loop(i, 3.8, 20.5, -ROUNDING), INACCURATE, INACCURATE),
        (Doubt.OUT_OF_RANGE, lambda i: i.range or NONE, UNCERTAIN_UNITS_EXCEEDED, UNCERTAIN_UNITS_EXCEEDED),
        (Doubt.GROSS_RANGE, lambda i: _gross(i, "fail"), BAD, BAD),
        (Doubt.GROSS_RANGE, lambda i: _gross(i, "suspect"), UNCERTAIN, UNCERTAIN),
    )  # fmt: skip
    built = []
    for doubt, limits, below, above in bands:
        low, high = np.array([limits(i) for i in instruments], dtype=np.float64).reshape(-1, 2).T.copy()
        if np.isfinite(low).any() or np.isfinite(high).any():
            limited = doubt is not Doubt.OUT_OF_RANGE
            built.append(Band(doubt, low, high, below | AT_LOW * limited, above | AT_HIGH * limited))
    return tuple(built)


def _loop(instrument: Instrument, low_ma: float, high_ma: float, inwards: float) -> tuple[float, float]:
    """Currents as values: the range stands for 4 to 20 mA."""
    if instrument.signal is None or instrument.range is None:
        return NONE
    zero, full = instrument.range
    span = full - zero
    low, high = (zero + (current - 4.0) / 16.0 * span for current in (low_ma, high_ma))
    return low + inwards * span, high - inwards * span


def _gross(instrument: Instrument, which: str) -> tuple[float, float]:
    test = instrument.checks.range if instrument.checks else None
    return (getattr(test, which) if test else None) or NONE


def flag(samples: Columns, bands: Sequence[Band], doubts: Doubts) -> None:
    """Worsen the quality of what lies outside a band, in place, and count it. NaN lies outside none."""
    for band in bands:
        below = samples.values < band.low[samples.codes]
        above = samples.values > band.high[samples.codes]
        if below.any() or above.any():
            count = worsen(samples.quality, below, band.below) + worsen(samples.quality, above, band.above)
            if count:
                doubts[band.doubt] += count
