"""Tests of a sample against the ones before it: rate of change, spike, flat line.

Definitions: QARTOD (U.S. IOOS, Manual for Real-Time Quality Control of In-situ Temperature and Salinity Data,
doi 10.7289/V5V40SD4). Only instruments whose ``checks`` ask for one are looked at. A missing reading (null or
Bad) breaks what hangs together, as it does there. Samples that are not newer than all before them are not
tested: they have no place in the stream. After a start the first samples have nothing to be compared with.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from ingest.columns import Columns, Floats, Ints, Mask, joined
from ingest.doubts import CONSTANT, Doubt, Doubts, worsen
from skidhand.fleet import Instrument
from skidhand.fleet.quality import Levels
from skidhand.model.quality import BAD, UNCERTAIN, bad_mask

KEPT: Final = 2
"""Samples before the present one that rate and spike need."""

MOST: Final = 10_000
"""Samples in the window of a flat line; of a faster series only so many are looked at, and it counts as flat later."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of each series, by code. inf: not asked."""

    rate: tuple[Floats, Floats]  # per second: suspect, fail
    spike: tuple[Floats, Floats]
    flat: dict[int, tuple[float, float, float]]  # tolerance; microseconds: suspect, fail
    any: Mask


def build_asked(instruments: Sequence[Instrument]) -> Asked:
    """The tests of ``instruments``, whose index is the series code."""
    rows, flat = [], {}
    for code, checks in enumerate(instrument.checks for instrument in instruments):
        rows.append([*_levels(checks.rate if checks else None), *_levels(checks.spike if checks else None)])
        if checks and checks.flat:
            flat[code] = (checks.flat.tolerance, _or_inf(checks.flat.suspect) * 1e6, _or_inf(checks.flat.fail) * 1e6)
    levels = np.array(rows, dtype=np.float64).reshape(-1, 4).T.copy()
    any_of: Mask = np.array(np.isfinite(levels).any(axis=0))
    any_of[list(flat)] = True
    return Asked((levels[0], levels[1]), (levels[2], levels[3]), flat, any_of)


def _levels(levels: Levels | None) -> tuple[float, float]:
    return (np.inf, np.inf) if levels is None else (_or_inf(levels.suspect), _or_inf(levels.fail))


def _or_inf(value: float | None) -> float:
    return np.inf if value is None else value


class _Flat:
    """The longest run up to now whose range stays below the tolerance, as the two queues of a sliding window."""

    def __init__(self, tolerance: float, needed_us: float) -> None:
        self._tolerance, self._needed_us = tolerance, needed_us
        self._times: deque[int] = deque(maxlen=MOST)
        self._highs: deque[tuple[int, float]] = deque()  # falling
        self._lows: deque[tuple[int, float]] = deque()  # rising

    def run(self, time_us: int, value: float) -> int:
        """Microseconds for which the series has stood still, with this sample."""
        times, highs, lows = self._times, self._highs, self._lows
        while highs and highs[-1][1] <= value:
            highs.pop()
        while lows and lows[-1][1] >= value:
            lows.pop()
        highs.append((time_us, value))
        lows.append((time_us, value))
        times.append(time_us)
        while len(times) > 1 and time_us - times[1] >= self._needed_us:
            times.popleft()  # older than any threshold asks for
        self._forget_before(times[0])
        while highs[0][1] - lows[0][1] >= self._tolerance:
            times.popleft()
            self._forget_before(times[0])
        return time_us - times[0]

    def _forget_before(self, time_us: int) -> None:
        for ends in (self._highs, self._lows):
            while ends[0][0] < time_us:
                ends.popleft()

    def clear(self) -> None:
        """A reading is missing: begin anew."""
        self._times.clear()
        self._highs.clear()
        self._lows.clear()


class History:
    """The last samples of each series that is tested; memory is fixed by the fleet file."""

    def __init__(self, asked: Asked) -> None:
        self._asked = asked
        shape = (KEPT, len(asked.any))
        self._times, self._values = np.zeros(shape, dtype=np.int64), np.full(shape, np.nan)
        self._quality = np.zeros(shape, dtype=np.int64)
        longest = {code: fail if np.isfinite(fail) else suspect for code, (_, suspect, fail) in asked.flat.items()}
        self._flats = {code: _Flat(asked.flat[code][0], longest[code]) for code in asked.flat}
        self._wanted = bool(asked.any.any())

    def flag(self, samples: Columns, doubts: Doubts) -> Columns:
        """Worsen what fails a test, in place.

        A spike is known only by the sample after it. Where that comes in a later batch, the sample is added
        once more, with the same value and the worse status: of one key the later received counts.
        """
        if not self._wanted:
            return samples
        rows = np.flatnonzero(self._asked.any[samples.codes])
        if not len(rows):
            return samples
        rows = self._in_order(samples, rows[np.argsort(samples.codes[rows], kind="stable")])
        if not len(rows):
            return samples
        codes = samples.codes[rows]
        starts = np.flatnonzero(np.append(True, codes[1:] != codes[:-1]))
        at = np.repeat(starts, KEPT)
        before = codes[starts]
        usable = np.where(bad_mask(samples.quality[rows]), np.nan, samples.values[rows])
        window = Columns(
            np.insert(codes, at, np.repeat(before, KEPT)),
            np.insert(samples.times[rows], at, self._times[:, before].T.ravel()),
            np.insert(usable, at, self._values[:, before].T.ravel()),
            np.insert(samples.quality[rows], at, self._quality[:, before].T.ravel()),
            np.insert(samples.received[rows], at, samples.received[-1]),
        )
        is_new = np.insert(np.ones(len(rows), dtype=np.bool_), at, False)
        was = window.quality.copy()
        self._rate(window, is_new, doubts)
        self._spike(window, is_new, doubts)
        self._flat(window, is_new, doubts)
        samples.quality[rows] = window.quality[is_new]
        self._remember(window, before)
        return joined(samples, window.take(~is_new & (window.quality != was)))

    def _in_order(self, samples: Columns, rows: Ints) -> Ints:
        """``rows`` (sorted by code) less those that are not newer than all before them."""
        codes, times = samples.codes[rows], samples.times[rows]
        newest = self._times[-1]
        if (times > newest[codes]).all() and ((times[1:] > times[:-1]) | (codes[1:] != codes[:-1])).all():
            return rows
        seen: dict[int, int] = {}
        kept = []
        for row, code, time in zip(rows.tolist(), codes.tolist(), times.tolist(), strict=True):
            if time > seen.get(code, int(newest[code])):
                seen[code] = time
                kept.append(row)
        return np.array(kept, dtype=np.int64)

    def _rate(self, window: Columns, is_new: Mask, doubts: Doubts) -> None:
        """|x(n) − x(n−1)| ÷ seconds, above the threshold."""
        seconds = np.diff(window.times) / 1e6
        with np.errstate(divide="ignore", invalid="ignore"):
            rate = np.append(0.0, np.abs(np.diff(window.values)) / seconds)
        _over(rate, self._asked.rate, Doubt.RATE_OF_CHANGE, window, is_new, doubts)

    def _spike(self, window: Columns, is_new: Mask, doubts: Doubts) -> None:
        """|x(n−1) − (x(n) + x(n−2)) ÷ 2|, above the threshold: flags n−1."""
        values, jump = window.values, np.zeros(len(window))
        jump[1:-1] = np.abs(values[1:-1] - (values[2:] + values[:-2]) / 2)
        middle = np.zeros(len(window), dtype=np.bool_)
        middle[1:-1] = (window.codes[2:] == window.codes[:-2]) & is_new[2:]
        _over(jump, self._asked.spike, Doubt.SPIKE, window, middle, doubts)

    def _flat(self, window: Columns, is_new: Mask, doubts: Doubts) -> None:
        """The range within the last so many seconds is below the tolerance."""
        if not self._flats:
            return
        stood = np.zeros(len(window))
        suspect, fail = np.full(len(window), np.inf), np.full(len(window), np.inf)
        for i in np.flatnonzero(is_new).tolist():
            code = int(window.codes[i])
            series = self._flats.get(code)
            if series is None:
                continue
            value = float(window.values[i])
            if value != value:  # no reading
                series.clear()
                continue
            stood[i] = series.run(int(window.times[i]), value)
            _, suspect[i], fail[i] = self._asked.flat[code]
        for level, status in ((fail, BAD), (suspect, UNCERTAIN)):
            if count := worsen(window.quality, stood >= level, status | CONSTANT):
                doubts[Doubt.FLAT_LINE] += count

    def _remember(self, window: Columns, codes: Ints) -> None:
        last = np.flatnonzero(np.append(window.codes[1:] != window.codes[:-1], True))
        for back in range(KEPT):
            rows = last - (KEPT - 1 - back)
            self._times[back, codes] = window.times[rows]
            self._values[back, codes] = window.values[rows]
            self._quality[back, codes] = window.quality[rows]


def _over(
    figure: Floats, levels: tuple[Floats, Floats], doubt: Doubt, window: Columns, where: Mask, doubts: Doubts
) -> None:
    """Fail or suspect where the figure is above its series' level; NaN is above none."""
    suspect, fail = levels
    for level, status in ((fail, BAD), (suspect, UNCERTAIN)):
        if count := worsen(window.quality, where & (figure > level[window.codes]), status):
            doubts[doubt] += count
