"""A small invented fleet, and the way from payloads to verdicts and samples without a broker."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from datetime import UTC, datetime

import pyarrow as pa

from ingest.bench import Bench
from ingest.inbox import message
from ingest.lookup import Lookup, build_lookup
from ingest.router import Router, found_formats
from skidhand.fleet import parse_fleet
from skidhand.model.samples import micros, table

FLEET_TEXT = """
version: 1
fleet: Tansy Flat reuse
owner: Tansy Flat Water
sites:
  - {id: tansy-4, name: Tansy 4 pad, timezone: America/Chicago}
  - id: sedge-2
    name: Sedge 2 pad
    timezone: UTC
    instruments: {LT-900: {unit: "[ft_us]", range: [0, 30]}}
skids:
  - id: tf-skid-1
    name: Skid 1
    placements: [{site: tansy-4, from: 2020-01-01, to: 2026-02-01}, {site: sedge-2, from: 2026-02-10}]
    instruments:
      FT-201: {unit: "[gal_us]/min", range: [0, 80]}
      AT-301: {unit: "mg/L", range: [0, 100], alias: "plc.oil out"}
      XS-301: {unit: "1", states: {0: service, 1: backwash}}
      PDT-301: {unit: "[psi]"}
"""
FLEET = parse_fleet(FLEET_TEXT)
LOOKUP = build_lookup(FLEET)
TOPIC = "skidhand/sedge-2/tf-skid-1/samples"
NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)
NOON_US = micros(NOON)


@dataclass
class Outcome:
    """What became of one or more messages."""

    samples: pa.Table
    refused: dict[str, int]

    @property
    def values(self) -> dict[str, float | None]:
        """Tag or alias-free name → last value taken."""
        return dict(zip(self._tags(), self.samples["value"].to_pylist(), strict=True))

    @property
    def quality(self) -> dict[str, int]:
        """Tag → StatusCode."""
        return dict(zip(self._tags(), self.samples["quality"].to_pylist(), strict=True))

    def _tags(self) -> list[str]:
        return [name.partition("/")[2] for name in self.samples["series"].to_pylist()]


def outcome(
    payload: bytes, topic: str = TOPIC, received_us: int = NOON_US, *, own_time: bool = False, lookup: Lookup = LOOKUP
) -> Outcome:
    """Decode and judge one payload as the worker does."""
    bench = Bench(lookup, own_time=own_time)
    decoded = Router(found_formats()).decode(message(topic, payload, received_us))
    for reading in decoded.readings:
        bench.judge(reading, received_us, decoded.refused)
    counts = {reason.value: refusal.count for reason, refusal in decoded.refused.by_reason.items()}
    return Outcome(bench.table(), counts)


def samples(*numbers: int, skid: str = "tf-skid-1") -> pa.Table:
    """One sample for each number: its second after noon, and its value."""
    return table((f"{skid}/FT-201", NOON_US + n * 1_000_000, float(n), 0, NOON_US + n * 1_000_000) for n in numbers)


def stored_numbers(store: object, series: str = "tf-skid-1/FT-201") -> list[float]:
    """The values in the store, in time order, duplicates by key removed by the store."""
    rows = store.read([series], datetime(2020, 1, 1, tzinfo=UTC), datetime(2030, 1, 1, tzinfo=UTC))
    return rows["value"].to_pylist()


NEVER = threading.Event()
"""A stop signal that nobody gives."""
