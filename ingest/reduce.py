"""Thinning out before the store, for instruments whose fleet file asks for it. Off by default.

Two methods, each with a bound that it keeps for samples that come in order:

* **deadband**: a value is kept when it differs from the last kept one by more than the deadband. Held until
  the next, no kept value is ever further off than that.
* **strict swinging door**: after Bristol, US patent 4 669 097 (1987): straight lines between kept values
  come within the bound of every value left out. The textbook form tests whether the doors cross and then
  stores the last value, whose line may lie up to twice the bound away; here the line to each candidate must
  itself lie within all doors before it, so that whenever the newest value is let go, its line is good.

The newest value of a series is not dropped but **held**: on disk, in the spool, and stored when the next
shows that it counts, when none comes, or at the next start. So no gap loses its edge, and what was
acknowledged is never in memory alone. Only Good values are thinned out; whatever is not Good passes with the
Good values on both sides. Late and repeated samples pass as they are.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import numpy as np

from ingest.columns import Columns, joined
from skidhand.fleet.quality import Reduce
from skidhand.model.quality import is_good

MISSED: Final = 2.5
"""Expected intervals without a sample that make a gap (common practice, no source)."""


class Point(NamedTuple):
    """One sample of a series; microseconds."""

    time_us: int
    value: float
    quality: int
    received_us: int


@dataclass(slots=True)
class Held:
    """What the newest batch changed of the values that are held, by series code."""

    put: dict[int, Point] = field(default_factory=dict)
    drop: set[int] = field(default_factory=set)


class Thinner:
    """One series. :meth:`feed` gives back what is to be stored now; ``held`` is what waits."""

    def __init__(self, spec: Reduce, expected_s: float | None = None) -> None:
        self._band, self._door = spec.deadband, spec.swinging_door
        self._longest_us = round(spec.max_interval * 1e6)
        self.gap_us = min(self._longest_us, round(MISSED * expected_s * 1e6) if expected_s else self._longest_us)
        self._newest_us: int | None = None
        self._kept: Point | None = None  # the last one stored, if it was Good
        self._low, self._high = -math.inf, math.inf  # slopes of the doors
        self.held: Point | None = None

    def feed(self, point: Point) -> list[Point]:
        """What must be stored now that ``point`` has come, in order of time; late and repeated ones at once."""
        newest_us = self._newest_us
        if newest_us is not None and point.time_us <= newest_us:
            if self.held is not None and self.held.time_us == point.time_us:  # it takes the place of the held one
                self._keep(point)
            return [point]
        self._newest_us = point.time_us
        good = is_good(point.quality) and math.isfinite(point.value)
        gap = newest_us is not None and point.time_us - newest_us > self.gap_us
        if not good or gap or self._kept is None:
            stored = self.release()
            self._keep(point)
            return [*stored, point]
        if self._fits(self._kept, point):
            self.held = point
            return []
        if self._door is not None and (stored := self.release()) and self._fits(stored[0], point):
            self.held = point
            return stored
        self._keep(point)
        return [point]

    def release(self) -> list[Point]:
        """The held point, which counts as stored from now on; empty when there is none."""
        point = self.held
        if point is None:
            return []
        self._keep(point)
        return [point]

    def _keep(self, point: Point) -> None:
        self.held = None
        self._kept = point if is_good(point.quality) and math.isfinite(point.value) else None
        self._low, self._high = -math.inf, math.inf

    def _fits(self, kept: Point, point: Point) -> bool:
        """Whether everything since ``kept`` is still told when ``point`` is the next to be stored."""
        since_us = point.time_us - kept.time_us
        if since_us >= self._longest_us:
            return False
        rise = point.value - kept.value
        if self._band is not None:
            return abs(rise) <= self._band
        assert self._door is not None
        if not self._low <= rise / since_us <= self._high:
            return False
        self._low = max(self._low, (rise - self._door) / since_us)
        self._high = min(self._high, (rise + self._door) / since_us)
        return True


class Reducer:
    """The thinners of one fleet version; a handful of numbers for each series that is thinned out."""

    def __init__(self, specs: Mapping[int, Reduce], expected_s: Mapping[int, float | None], series: int) -> None:
        self._thinners = {code: Thinner(spec, expected_s[code]) for code, spec in specs.items()}
        self._wanted = np.zeros(series, dtype=np.bool_)
        self._wanted[list(specs)] = True
        self.thinned = 0  # samples left out or held, less those that were let go

    def waits(self, now_us: int) -> bool:
        """Whether something is held that nothing has followed for so long that a gap has begun."""
        return any(
            each.held is not None and now_us - each.held.received_us >= each.gap_us for each in self._thinners.values()
        )

    def thin(self, samples: Columns, now_us: int) -> tuple[Columns, Held]:
        """What is to be stored now, and what the held ones have become. Receive times of what was held are new."""
        if not self._thinners:
            return samples, Held()
        wanted = self._wanted[samples.codes]
        rows: list[tuple[int, Point]] = []
        touched: set[int] = set()
        mine = samples.take(wanted)
        columns = (mine.codes, mine.times, mine.values, mine.quality, mine.received)
        for code, *values in zip(*(column.tolist() for column in columns), strict=True):
            point = Point(*values)
            touched.add(code)
            rows += [(code, kept._replace(received_us=point.received_us)) for kept in self._thinners[code].feed(point)]
        for code, thinner in self._thinners.items():
            if thinner.held is not None and now_us - thinner.held.received_us >= thinner.gap_us:
                touched.add(code)
                rows += [(code, kept._replace(received_us=now_us)) for kept in thinner.release()]
        self.thinned += len(mine) - len(rows)
        held = Held()
        for code in touched:
            waiting = self._thinners[code].held
            if waiting is None:
                held.drop.add(code)
            else:
                held.put[code] = waiting
        kept = joined(samples.take(~wanted), _columns(rows))
        return kept.take(np.argsort(kept.received, kind="stable")), held


def _columns(rows: list[tuple[int, Point]]) -> Columns:
    points = [point for _, point in rows]
    return Columns(
        np.array([code for code, _ in rows], dtype=np.int64),
        np.array([point.time_us for point in points], dtype=np.int64),
        np.array([point.value for point in points], dtype=np.float64),
        np.array([point.quality for point in points], dtype=np.int64),
        np.array([point.received_us for point in points], dtype=np.int64),
    )
