"""How fast a month of one skid leaves the store as Parquet, and a month's report of it; ``--quick``: of a tenth.

Each runs in a process of its own, so that its memory is its own: that of a week tells whether it grows with the span.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
import uuid
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime, timedelta
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from rich.console import Console

from analytics.export import Request, export
from analytics.report import figures_of
from benchmarks.harness import Row, show
from skidhand.fleet import FleetVersion, parse_fleet, skid_view
from skidhand.model.samples import SAMPLES, micros
from skidhand.stores import open_store
from skidhand.stores.base import Batch

START: Final = datetime(2026, 3, 1, tzinfo=UTC)
DAYS: Final = 30
TAGS: Final = 20
SAMPLES_A_MONTH: Final = 10_000_000
LONGEST_S: Final = 10.0
GROWTH_MB: Final = 60.0
"""What a month may take beyond a week and still count as bounded: four times the samples would be 300 MB more."""

FLEET: Final = """
version: 1
fleet: bench
sites: [{{id: pad, name: Pad, timezone: UTC}}]
skids:
  - id: sk
    name: Skid
    placements: [{{site: pad, from: 2026-01-01}}]
    instruments:
{instruments}
      AT-0: {{unit: "mg/L", range: [0, 100], period: 5}}
    units:
      - {{id: outlet, type: outlet, roles: {{flow: FT-0, oil: AT-0}}}}
    spec: {{oil: {{limit: 60, unit: "mg/L", basis: 1h}}}}
"""


def measure(quick: bool) -> Iterator[Row]:
    """Fill a lake and tidy it; then export and report from it."""
    total = SAMPLES_A_MONTH // (10 if quick else 1)
    with tempfile.TemporaryDirectory() as folder:
        _fill(folder, total // DAYS // TAGS)
        note = f"{total / 1e6:.0f} M samples"
        week, _, _ = _alone(_export, folder, 7, "parquet")
        peak, took, told = _alone(_export, folder, DAYS, "parquet")
        yield Row("a month to Parquet, processor", "s", took, None, f"<= {LONGEST_S:g}", took <= LONGEST_S,
                  f"{note}, {told}")  # fmt: skip
        yield Row("memory of it beyond a week's", "MB", peak - week, None, f"<= {GROWTH_MB:g}",
                  peak - week <= GROWTH_MB, f"peak {peak:,.0f}, of a week {week:,.0f}")  # fmt: skip
        beside = _alone(_plain, folder, DAYS, "parquet")
        yield Row("the same beside reading and writing it in one piece", "s", took, beside[1], "", None,
                  f"its peak {beside[0]:,.0f} MB, {beside[2]}")  # fmt: skip
        peak, took, told = _alone(_export, folder, DAYS, "csv")
        yield Row("the same month to CSV", "s", took, None, "", None, f"peak {peak:,.0f} MB, {told}")
        peak, took, told = _alone(_report, folder, DAYS, "")
        yield Row("a month's report of it, processor", "s", took, None, "", None, f"peak {peak:,.0f} MB, {told}")


def _fleet() -> FleetVersion:
    lines = (f'      FT-{i}: {{unit: "m3/h", range: [0, 100], period: 5}}' for i in range(TAGS - 1))
    return parse_fleet(FLEET.format(instruments="\n".join(lines)))


def _alone(work: Any, *given: Any) -> tuple[float, float, str]:
    """(peak MB, seconds, what it says) of ``work`` in a fresh process."""
    with ProcessPoolExecutor(1, get_context("spawn")) as pool:
        took, told = pool.submit(work, *given).result()
        peak: float = pool.submit(_peak).result()
    return peak, took, told


def _peak() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _export(folder: str, days: int, format: Literal["csv", "parquet"]) -> tuple[float, str]:
    store, out = open_store(folder + "/lake"), Path(folder) / f"month.{format}"
    begun, clock = time.process_time(), time.perf_counter()
    done = export(store, _fleet(), Request("sk", START, START + timedelta(days=days)), format=format, out=out)
    spent, took = time.process_time() - begun, time.perf_counter() - clock
    return spent, f"{done.rows:,} rows, {out.stat().st_size / 1e6:.0f} MB, {took:.1f} s by the clock"


def _plain(folder: str, days: int, _: str) -> tuple[float, str]:
    """What somebody would write without us: all of that time read in one piece, and written as one table."""
    store, names = open_store(folder + "/lake"), [f"sk/{name}" for name in _fleet().fleet.skids[0].instruments]
    begun = time.process_time()
    whole = store.read(names, START, START + timedelta(days=days), policy="usable")
    pq.write_table(whole, Path(folder) / "plain.parquet", compression="zstd")
    return time.process_time() - begun, f"{len(whole):,} rows"


def _report(folder: str, days: int, _: str) -> tuple[float, str]:
    from zoneinfo import ZoneInfo

    store, view = open_store(folder + "/lake"), skid_view(_fleet().fleet.skids[0])
    begun = time.process_time()
    told = figures_of(store, view, START, START + timedelta(days=days), site="pad", zone=ZoneInfo("UTC"))
    return time.process_time() - begun, f"{told.quality[0].minutes:,} minutes judged"


def _fill(folder: str, a_day: int) -> None:
    store, writer = open_store(folder + "/lake"), str(uuid.uuid4())
    for day in range(DAYS):
        store.write(Batch(writer, day + 1, str(day), _day(day, a_day)))
    for _ in store.tidy(now=START + timedelta(days=DAYS + 2)):
        pass
    store.close()


def _day(day: int, count: int) -> pa.Table:
    random = np.random.default_rng(day)
    first = micros(START + timedelta(days=day))
    times = np.tile(first + (np.arange(count) * (86_400_000_000 // count)), TAGS)
    names = np.repeat([*(f"sk/FT-{i}" for i in range(TAGS - 1)), "sk/AT-0"], count)
    values = np.round(40.0 + random.standard_normal(len(times)), 3)
    columns = (names, times, values, np.zeros(len(times), dtype=np.int64), times + 1_000_000)
    return pa.table([pa.array(c).cast(f.type) for c, f in zip(columns, SAMPLES, strict=True)], schema=SAMPLES)


if __name__ == "__main__":
    show(list(measure("--quick" in sys.argv)), Console(width=180))
