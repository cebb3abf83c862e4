"""Exports a month of one skid (10 million samples) from a lake to Parquet and prints seconds and peak memory.

    python -m benchmarks.export [SAMPLES]

Target: at most 10 s, in memory that does not grow with the span.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
import uuid
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa

from analytics.export import Request, export
from skidhand.fleet import parse_fleet
from skidhand.model.samples import SAMPLES, micros
from skidhand.stores import open_store
from skidhand.stores.base import Batch

START = datetime(2026, 3, 1, tzinfo=UTC)
DAYS = 30
TAGS = 20


def main() -> None:
    """Fill, tidy, export."""
    total = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    a_day = total // DAYS // TAGS
    instruments = "\n".join(f'      FT-{i}: {{unit: "m3/h", period: 5}}' for i in range(TAGS))
    fleet = parse_fleet(
        "version: 1\nfleet: bench\nsites: [{id: pad, name: Pad, timezone: UTC}]\nskids:\n  - id: sk\n    name: Skid\n"
        f"    placements: [{{site: pad, from: 2026-01-01}}]\n    instruments:\n{instruments}\n"
    )
    with tempfile.TemporaryDirectory() as folder:
        store = open_store(folder + "/lake")
        writer = str(uuid.uuid4())
        for day in range(DAYS):
            store.write(Batch(writer, day + 1, str(day), _day(day, a_day)))
        for line in store.tidy(now=START + timedelta(days=DAYS + 2)):
            print(line, file=sys.stderr)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        out = Path(folder) / "month.parquet"
        begun = time.perf_counter()
        done = export(store, fleet, Request("sk", START, START + timedelta(days=DAYS)), format="parquet", out=out)
        took = time.perf_counter() - begun
        after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        print(f"{done.rows:,} rows in {took:.1f} s, {out.stat().st_size / 1e6:.0f} MB; "
              f"peak memory {after / 1024:.0f} MB ({before / 1024:.0f} MB before)")  # fmt: skip
        store.close()


def _day(day: int, count: int) -> pa.Table:
    random = np.random.default_rng(day)
    first = micros(START + timedelta(days=day))
    times = np.tile(first + (np.arange(count) * (86_400_000_000 // count)), TAGS)
    names = np.repeat([f"sk/FT-{i}" for i in range(TAGS)], count)
    values = np.round(40.0 + random.standard_normal(len(times)), 3)
    columns = (names, times, values, np.zeros(len(times), dtype=np.int64), times + 1_000_000)
    return pa.table([pa.array(c).cast(f.type) for c, f in zip(columns, SAMPLES, strict=True)], schema=SAMPLES)


if __name__ == "__main__":
    main()
