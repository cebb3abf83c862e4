"""Where the readings of one batch are judged and become samples, and what is kept from batch to batch for that."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa

from ingest import limits
from ingest.clocks import ClockWatch
from ingest.columns import Columns, Ints
from ingest.doubts import Doubts
from ingest.formats.base import Reading
from ingest.history import History
from ingest.judge import NO_CODES, STAGES, Case, Refused
from ingest.lookup import Lookup
from ingest.reasons import Tally
from ingest.reduce import Reducer


class Memory:
    """What judging knows of the past, under one fleet version. Its size is fixed by the fleet file."""

    def __init__(self, lookup: Lookup) -> None:
        self.lookup = lookup
        self.history = History(lookup.asked)
        self.clocks = ClockWatch()
        self.reducer = Reducer(lookup.reduced, lookup.expected_s, len(lookup.units))


class Bench:
    """Judges the readings of one batch and holds what passed, until :meth:`samples` makes columns of it.

    ``own_time``: times are those of a replay (see :func:`ingest.judge.time_is_possible`). Without a
    ``memory`` the batch is judged as the first after a start.
    """

    def __init__(self, lookup: Lookup, *, own_time: bool = False, memory: Memory | None = None) -> None:
        self._memory = memory or Memory(lookup)
        self._lookup, self._own_time = lookup, own_time
        self.doubts = Doubts()
        self._jumped: set[str] = set()
        self._codes: list[Ints] = []  # these two: one array a reading
        self._quality: list[Ints] = []
        self._values: list[object] = []
        self._times: list[int] = []
        self._received: list[int] = []

    def listen(self, readings: Sequence[Reading], received_us: int) -> None:
        """Hear all readings of one message before they are judged: what they tell of the senders' clocks."""
        if self._own_time:
            return
        newest: dict[str, int] = {}
        for reading in readings:
            if not reading.relative and reading.skid in self._lookup.assets:
                newest[reading.skid] = max(reading.time_us, newest.get(reading.skid, reading.time_us))
        clocks = self._memory.clocks
        self._jumped = {skid for skid, time_us in newest.items() if clocks.jumped(skid, received_us, time_us)}

    def judge(self, reading: Reading, received_us: int, refused: Tally) -> int:
        """Take what is good of ``reading``, add what is not to ``refused``; how many values were taken."""
        if reading.relative:
            reading = reading.received_at(received_us)
        case = Case(reading, self._lookup, received_us, self._own_time, refused, reading.skid in self._jumped)
        case.names, case.values = tuple(reading.values), list(reading.values.values())
        case.quality = [0] * len(case.values)
        try:
            for stage in STAGES:
                stage(case)
        except Refused as verdict:
            refused.add(verdict.reason, verdict.detail, max(1, len(reading.values)))
            return 0
        self._codes.append(case.codes)
        doubted = any(case.quality)
        count = len(case.codes)
        self._quality.append(np.array(case.quality, dtype=np.int64) if doubted else np.zeros(count, dtype=np.int64))
        self._values += case.values
        self._times.append(reading.time_us)
        self._received.append(received_us)
        if case.doubt is not None:
            self.doubts[case.doubt] += count
        return count

    def samples(self) -> Columns:
        """All values taken, in the order of receipt, each with its quality; for once, since it moves the memory on."""
        counts = [len(codes) for codes in self._codes]
        samples = Columns(
            np.concatenate([NO_CODES, *self._codes]),
            np.repeat(np.array(self._times, dtype=np.int64), counts),
            np.array(self._values, dtype=np.float64),  # None becomes NaN
            np.concatenate([NO_CODES, *self._quality]),
            np.repeat(np.array(self._received, dtype=np.int64), counts),
        )
        if not len(samples):
            return samples
        limits.flag(samples, self._lookup.signals, self.doubts)
        # The tests look at what the sensor gave, whether or not another test doubts it.
        samples = self._memory.history.flag(samples, self.doubts)
        limits.flag(samples, self._lookup.spans, self.doubts)
        return samples

    def table(self) -> pa.Table:
        """:meth:`samples` as the store's ``samples``."""
        return self.samples().table(self._lookup.series)
