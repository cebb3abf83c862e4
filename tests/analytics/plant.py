"""A small skid and samples of it, for tests of analytics."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime

import numpy as np
import pyarrow as pa

from skidhand.fleet import FleetVersion, SkidView, parse_fleet, skid_view
from skidhand.model.samples import SAMPLES, micros

T0 = datetime(2026, 3, 1, tzinfo=UTC)
MINUTE0 = micros(T0) // 60_000_000

FLEET = """
version: 1
fleet: Tansy Flat reuse
sites:
  - {id: tansy-4, name: Tansy 4 pad, timezone: UTC}
  - {id: tansy-5, name: Tansy 5 pad, timezone: UTC}
skids:
  - id: sk-1
    name: Skid 1
    placements: [{site: tansy-4, from: 2026-01-01}]
    design_flow: 40
    flow_unit: "[gal_us]/min"
    instruments:
      FT-1: {unit: "[gal_us]/min", range: [0, 80], reporting: periodic, period: 10}
      PDT-1: {unit: "[psi]", range: [0, 30], reporting: periodic, period: 10}
      TT-1: {unit: "[degF]", range: [0, 200], reporting: periodic, period: 10}
      AT-1: {unit: "[ppm]", basis: volume, range: [0, 500], reporting: on_change, deadband: 0.5}
      XS-1: {unit: "1", states: {0: service, 1: backwash}, reporting: on_change}
    units:
      - id: tank
        type: weir_tank
        roles: {outlet_oil: AT-1}
      - id: filter-a
        type: media_filter
        roles: {flow: FT-1, dp: PDT-1, temperature: TT-1, backwash: XS-1}
        limits: {dp_terminal: 12}
    water: {tds: 90000, tds_unit: "mg/L", oil_api_gravity: 38}
"""


def fleet(text: str = FLEET) -> FleetVersion:
    """The checked fleet."""
    return parse_fleet(text)


def view(text: str = FLEET, skid: str = "sk-1") -> SkidView:
    """The skid as calculations see it."""
    found = fleet(text).fleet.skid(skid)
    assert found is not None
    return skid_view(found)


Rows = Iterable[tuple[float, float | None, int]]


def samples(series: Mapping[str, Rows], *, skid: str = "sk-1", delay_s: float = 1.0, start: datetime = T0) -> pa.Table:
    """A samples table from tag -> (seconds after start, value, quality), received ``delay_s`` later."""
    zero, names, times, values, quality = micros(start), [], [], [], []
    for tag in sorted(series):
        for second, value, status in series[tag]:
            names.append(f"{skid}/{tag}")
            times.append(zero + round(second * 1e6))
            values.append(value)
            quality.append(status)
    received = [t + round(delay_s * 1e6) for t in times]
    columns = (names, times, values, quality, received)
    return pa.table([pa.array(c, type=f.type) for c, f in zip(columns, SAMPLES, strict=True)], schema=SAMPLES)


def steady(hours: float, *, seed: int = 1, step: float = 10.0) -> dict[str, list[tuple[float, float, int]]]:
    """A quiet, running skid with a little noise on every periodic instrument."""
    rng = np.random.default_rng(seed)
    seconds = np.arange(0, hours * 3600, step)

    def noisy(level: float, sigma: float) -> list[tuple[float, float, int]]:
        values = np.round(level + sigma * rng.standard_normal(len(seconds)), 3)
        return [(float(s), float(v), 0) for s, v in zip(seconds, values, strict=True)]

    return {
        "FT-1": noisy(38, 0.3),
        "PDT-1": noisy(4, 0.05),
        "TT-1": noisy(77, 0.1),
        "AT-1": [(0.0, 100.0, 0), (3000.0, 104.0, 0)],
        "XS-1": [(0.0, 0.0, 0)],
    }
