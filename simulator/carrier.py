"""The link between a skid and the broker: latency, late scans, lost samples, outages, a clock that is off."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from simulator.plant_file import Carrier
from simulator.skid_plant import Acting
from simulator.streams import generator

MICRO = 1_000_000
HOUR_US = 3600 * MICRO
LATE_S = 60.0  # a late scan comes up to so much later
BACKFILL_SPEED = 120  # hours of held data that a gateway sends per hour
Ints = npt.NDArray[np.int64]


class Link:
    """One skid's link; random numbers go by the scan, so blocks of any length give the same stamps."""

    def __init__(self, seed: int, skid: str, carrier: Carrier, events: Sequence[Acting], start_us: int) -> None:
        self._carrier = carrier
        self._times = generator(seed, skid, "link/times")
        self._losses = generator(seed, skid, "link/losses")
        spans = [
            (a, start_us + round(a.event.at * HOUR_US), start_us + round((a.event.at + a.event.hours) * HOUR_US))
            for a in events
        ]
        self._outages = [(begin, end) for a, begin, end in spans if a.fault.name == "comms-outage"]
        self._jumps = [
            (begin, end, round(a.event.severity * HOUR_US)) for a, begin, end in spans if a.fault.name == "clock-jump"
        ]

    def stamp(self, true_us: Ints) -> tuple[Ints, Ints]:
        """(source time by the skid's clock, receive time), µs, of scans taken at ``true_us``."""
        draw = self._times.random((len(true_us), 3))
        latency = self._carrier.latency_s * (0.5 + draw[:, 0])
        latency = latency + np.where(draw[:, 1] < self._carrier.late, LATE_S * draw[:, 2], 0.0)
        received = true_us + np.round(latency * MICRO).astype(np.int64)
        for begin, end in self._outages:
            held = (true_us >= begin) & (true_us < end)
            received = np.where(held, end + (true_us - begin) // BACKFILL_SPEED + MICRO, received)
        source = true_us + round(self._carrier.clock_offset_s * MICRO)
        for begin, end, ahead in self._jumps:
            source = np.where((true_us >= begin) & (true_us < end), source + ahead, source)
        return source, received

    def kept(self, scans: int, channels: int) -> npt.NDArray[np.bool_]:
        """Which samples of the next ``scans`` survive, shape (scans, channels)."""
        return np.asarray(self._losses.random((scans, channels)) >= self._carrier.dropped)
