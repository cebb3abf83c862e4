"""Samples of a scenario, chunk by chunk, in the order in which they would arrive.

A scan every 10 s reads all of a skid's instruments; the carrier then drops, delays or holds back. Memory
is bounded by the chunk and by what an outage holds back; chunks of any length give the same rows.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from simulator.carrier import Link
from simulator.channels import Channel, channels
from simulator.instruments import SCAN_S, reported
from simulator.pad import SitePlant, pads
from simulator.scenario import Scenario
from simulator.skid_plant import SkidPlant, whole_minutes
from simulator.streams import Floats
from skidhand.model.quality import GOOD
from skidhand.model.samples import SAMPLES, micros, series_id
from skidhand.units import convert_array

MICRO = 1_000_000
SCANS_PER_MINUTE = 60 // SCAN_S
HEARTBEAT_S = 600.0  # a report-on-change instrument still speaks so often
Ints = npt.NDArray[np.int64]
Rows = tuple[Ints, Ints, Floats, Ints]
"""Number of the channel, source time µs, value, receive time µs."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """What arrives of one skid in [start, end): ``samples`` by rising ``received``, schema SAMPLES."""

    start: datetime
    end: datetime
    skid: str
    samples: pa.Table


def generate(
    scenario: Scenario,
    *,
    hours: float | None = None,
    skids: int | None = None,
    seed: int | None = None,
    chunk_hours: float = 6,
) -> Iterator[Chunk]:
    """Samples of the first ``skids`` skids over the first ``hours``; all of both when None.

    What is still held back or on its way at the end is never sent. Raises ValueError for a span or chunk
    that is not positive and InputFileError for more skids than there are and what cannot be played.
    """
    span = scenario.file.hours if hours is None else hours
    if span <= 0 or chunk_hours <= 0:
        raise ValueError(f"hours and chunk_hours must be above 0, got {span:g} and {chunk_hours:g}")
    number = scenario.file.seed if seed is None else seed
    places = [
        (pad, [Source(scenario, plant, number) for plant in pad.members()])
        for pad in pads(scenario, scenario.chosen(skids), number)
    ]
    done, total, width = 0, whole_minutes(span), whole_minutes(chunk_hours)
    while done < total:
        minutes = min(width, total - done)
        start = scenario.start + timedelta(minutes=done)
        for pad, sources in places:
            for source, rows in zip(sources, pad.run(minutes), strict=True):
                yield Chunk(start, start + timedelta(minutes=minutes), source.skid_id, source.take(rows))
        done += minutes


class Source:
    """The samples of one skid or shared tank, a stretch of minutes at a time."""

    def __init__(self, scenario: Scenario, plant: SkidPlant | SitePlant, seed: int) -> None:
        skid_id = self.skid_id = plant.skid.id
        self._plant = plant
        self._start_us = micros(scenario.start)
        self._scan = 0
        events = self._plant.events
        self._channels = channels(self._plant, events, seed)
        self._names = pa.array([series_id(skid_id, channel.tag) for channel in self._channels], pa.string())
        carrier = plant.story.carrier if isinstance(plant, SitePlant) else scenario.story(skid_id).carrier
        on_link = [a for a in events if a.fault.strikes == "carrier"]
        self._link = Link(seed, skid_id, carrier, on_link, self._start_us)
        none = np.zeros(0, dtype=np.int64)
        self._held: Rows = (none, none, np.zeros(0), none)

    def take(self, rows: Floats) -> pa.Table:
        """Samples that arrive in the minutes of ``rows``, the states at their marks."""
        count = (len(rows) - 1) * SCANS_PER_MINUTE
        scans = np.arange(self._scan, self._scan + count)
        self._scan += count
        hours = np.asarray(scans * (SCAN_S / 3600.0), dtype=np.float64)
        place = np.arange(count, dtype=np.float64) / SCANS_PER_MINUTE
        between = (place - np.floor(place)).reshape(-1, SCANS_PER_MINUTE)  # 0 to 1, of each minute's scans
        true_us = self._start_us + scans * (SCAN_S * MICRO)
        source_us, received_us = self._link.stamp(true_us)
        values = np.empty((count, len(self._channels)))
        sent = np.empty((count, len(self._channels)), dtype=bool)
        for i, channel in enumerate(self._channels):
            values[:, i] = self._read(channel, rows[:, channel.column], hours, between)
            sent[:, i] = self._reports(channel, scans, true_us, values[:, i])
        sent &= self._link.kept(count, len(self._channels))
        by_arrival = np.argsort(received_us, kind="stable")  # scans, so that their many samples need no sorting
        values, source_us, received_us = values[by_arrival], source_us[by_arrival], received_us[by_arrival]
        scan, number = np.nonzero(sent[by_arrival])
        return self._arrivals((number, source_us[scan], values[scan, number], received_us[scan]))

    def _read(self, channel: Channel, column: Floats, hours: Floats, between: Floats) -> Floats:
        if channel.stepwise:
            true = np.repeat(column[:-1], SCANS_PER_MINUTE)
        else:
            true = (np.diff(column)[:, np.newaxis] * between + column[:-1, np.newaxis]).ravel()
        return channel.instrument.draw(hours, convert_array(true, channel.unit, channel.declared.unit))

    def _reports(self, channel: Channel, scans: Ints, true_us: Ints, values: Floats) -> npt.NDArray[np.bool_]:
        if channel.declared.reporting == "periodic":
            return np.asarray(scans % channel.every == 0) if channel.every > 1 else np.ones(len(scans), dtype=bool)
        heartbeat = int((channel.declared.expected_s or HEARTBEAT_S) * MICRO)
        return reported(true_us, values, channel.declared.deadband or 0.0, heartbeat, channel.last_sent)

    def _arrivals(self, fresh: Rows) -> pa.Table:
        """What has arrived by now, in order of arrival; the rest is held for later."""
        columns: list[npt.NDArray[Any]] = list(fresh)  # in order of arrival
        if len(self._held[0]):
            columns = [np.concatenate(pair) for pair in zip(self._held, fresh, strict=True)]
            order = np.argsort(columns[3], kind="stable")
            columns = [column[order] for column in columns]
        now_us = self._start_us + self._scan * SCAN_S * MICRO
        cut = int(np.searchsorted(columns[3], now_us, side="left"))
        channel, source_us, value, received = (column[:cut] for column in columns)
        number, source, reading, arrival = (column[cut:].copy() for column in columns)
        self._held = number, source, reading, arrival
        return pa.table(
            [
                self._names.take(channel),
                pa.array(source_us).cast(SAMPLES.field("time").type),
                pa.array(value),
                pa.array(np.full(cut, GOOD, dtype=np.int64)),
                pa.array(received).cast(SAMPLES.field("received").type),
            ],
            schema=SAMPLES,
        )
