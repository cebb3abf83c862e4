"""Numbers and series of evidence in the units that the site uses, for all detectors."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from skidhand.fleet import UnitView
from skidhand.model.finding import MAX_POINTS, Number, Trace

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_FAR: Final = (datetime(2200, 1, 1, tzinfo=UTC) - _EPOCH) / timedelta(minutes=1)  # times in ns end in 2262


def moment(minute: float) -> datetime:
    """The UTC time at which a minute since the epoch begins; fractions count in whole microseconds.

    Not after the year 2200: what hardly climbs reaches its limit at a time that no calendar has.
    """
    return _EPOCH + timedelta(microseconds=round(min(minute, _FAR) * 60e6))


def number(unit: UnitView, role: str, name: str, value: float, *, difference: bool = False) -> Number:
    """``value`` of ``role`` (in the type's unit) as a number of evidence, rounded to four digits."""
    shown, code = unit.shown(role, value, difference=difference)
    return Number(name=name, value=digits(shown), unit=code, tag=unit.tags.get(role))


def plain(name: str, value: float, unit: str = "1") -> Number:
    """A number that no instrument gives."""
    return Number(name=name, value=digits(value), unit=unit)


def trace(unit: UnitView, role: str, name: str, minutes: Sequence[int], values: Iterable[float]) -> Trace:
    """A series of ``role``, thinned to what a finding may carry; NaN becomes null."""
    shown = [unit.shown(role, float(v)) if np.isfinite(v) else None for v in values]
    step = -(-len(shown) // MAX_POINTS) or 1
    return Trace(
        name=name,
        unit=unit.shown(role, 0.0)[1],
        tag=unit.tags.get(role),
        times=tuple(int(m) * 60_000_000 for m in minutes[::step]),
        values=tuple(None if pair is None else digits(pair[0]) for pair in shown[::step]),
    )


def digits(value: float, count: int = 4) -> float:
    """``value`` rounded to ``count`` significant digits."""
    return float(f"{value:.{count}g}")
