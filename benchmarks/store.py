"""The store's measurements: size, a day at a minute, a year at half a day, a raw range, and growth."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from functools import partial
from pathlib import Path
from statistics import median

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.dataset as ds
from deltalake import DeltaTable

from benchmarks.beside import Beside, influx
from benchmarks.harness import Row, best_of
from benchmarks.store_data import START, after, batches, feed, fill, signals, simulated, tidy
from skidhand.model.samples import SAMPLES
from skidhand.stores.lake import LakeStore


def measure(quick: bool) -> Iterator[Row]:
    """See :class:`benchmarks.harness.Group`."""
    with tempfile.TemporaryDirectory(prefix="skidhand-bench-") as name:
        folder = Path(name)
        with influx(folder / "influx") as server:
            yield from size(folder / "size", server, quick)
            yield from last_day(folder / "day", server, quick)
        yield from long_span(folder / "long", quick)
        yield from growth(folder / "growth", quick)


def size(folder: Path, server: Beside | None, quick: bool) -> Iterator[Row]:
    """Bytes a sample of simulator data, sealed, beside the same samples in InfluxDB once it has compacted."""
    samples = simulated(hours=4 if quick else 24, skids=1 if quick else 3)
    lake = LakeStore(str(folder))
    feed(lake, batches(samples, 300 if quick else 60))
    tidy(lake, after(400))
    stored = _bytes(folder, "samples") / len(samples)
    yield Row("rollups of it, a sample", "bytes", _bytes(folder, "rollups") / len(samples), note="1 min and 1 h")
    if server is None:
        yield Row("stored size a sample", "bytes", stored, None, "≤ 2.0", stored <= 2.0, "no InfluxDB here to compare")
        return
    other = server.stored_bytes(samples) / len(samples)
    holds = stored <= 2.0 and stored <= 0.7 * other
    yield Row(
        "stored size a sample", "bytes", stored, other, "≤ 2.0 and ≤ 0.7", holds, "beside: InfluxDB 1.6.7 on disk"
    )


def last_day(folder: Path, server: Beside | None, quick: bool) -> Iterator[Row]:
    """24 h of one series at 1-minute buckets, on a lake that was fed all day while tidy ran every 5 minutes."""
    names = [f"skid-{k // 10}/FT-{k % 10}" for k in range(6 if quick else 20)]
    samples = signals(names, START, 86_400, 10)
    lake = LakeStore(str(folder))
    # --quick: the hours before the last ten minutes come in fewer commits.
    busy = 86_400 - 600 if quick else 0
    received = (samples["received"].cast(pa.int64()).to_numpy() - int(START.timestamp()) * 1_000_000) / 1e6
    early, late = samples.filter(pa.array(received < busy)), samples.filter(pa.array(received >= busy))
    last = feed(lake, batches(early, 3600)) if len(early) else 0
    began = time.perf_counter()
    with ThreadPoolExecutor(1) as beside:  # as `tidy --follow` does, by the stream's time
        running = beside.submit(_tidy_once, folder, 0.0)
        for commits, each in enumerate(batches(late, 5, first=last + 1), 1):
            lake.write(each)
            if commits % 60 == 0:
                running.result()
                running = beside.submit(_tidy_once, folder, (busy + commits * 5) / 86_400)
        running.result()
    spent = (time.perf_counter() - began) / commits * 1000
    yield Row("a commit, every 5 s of the stream, tidy beside", "ms", spent, note=f"{commits} commits")
    log = len(list((folder / "samples" / "_delta_log").iterdir()))
    yield Row("files in the log after it", "files", log, None, "≤ 2,000", log <= 2000)

    def ask() -> pa.Table:
        return LakeStore(str(folder)).read_buckets([names[3]], START, after(1), 60)

    held = lake.read_buckets([names[3]], START, after(1), 60)
    assert len(held) == 1440
    warm = best_of(7, lambda: lake.read_buckets([names[3]], START, after(1), 60)) * 1000
    cold = best_of(3, ask) * 1000
    yield Row("the same by a handle that was just opened", "ms", cold)
    name = "24 h of one series at 1 min, a store being fed"
    if server is None:
        yield Row(name, "ms", warm, None, "≤ 50 ms", warm <= 50, "no InfluxDB here to compare")
        return
    other = server.day_at_a_minute(samples, names[3]) * 1000
    yield Row(
        name, "ms", warm, other, "≤ 1.0 and ≤ 50 ms", warm <= min(other, 50), "beside: GROUP BY time(1m) in InfluxQL"
    )


def long_span(folder: Path, quick: bool) -> Iterator[Row]:
    """A series at 1 s over a year (--quick: 12 days): the 12 h width beside DuckDB on raw, and a raw range."""
    days = 12 if quick else 365
    lake, name = LakeStore(str(folder)), "skid-1/FT-201"
    fill(lake, [name], days, step=1, at_once=5)
    files = DeltaTable(str(folder / "samples")).file_uris()

    def ours() -> pa.Table:
        return lake.read_buckets([name], START, after(days), 43_200)

    def beside() -> pa.Table:
        asked = (
            "select time_bucket(interval '12 hours', time, timestamptz '1970-01-01 00:00:00+00') as start, "
            "min(value) as low, max(value) as high, avg(value) as mean from read_parquet(?) "
            "where series = ? group by 1 order by 1"
        )
        return duckdb.sql(asked, params=[files, name]).to_arrow_table()

    mine, theirs = ours(), beside()
    assert mine["min"].to_pylist() == theirs["low"].to_pylist()
    assert mine["max"].to_pylist() == theirs["high"].to_pylist()
    mean = mine["integral"].to_numpy() / mine["covered"].to_numpy()
    assert np.allclose(mean, theirs["mean"].to_numpy(), rtol=1e-9)
    one, other = best_of(5, ours) * 1000, best_of(3, beside) * 1000
    label = f"{days} days at 1 s, 12 h width, min, mean, max"
    yield Row(
        label,
        "ms",
        one,
        other,
        "≤ 0.2",
        one <= 0.2 * other,
        f"{days * 86_400:,} samples; beside: DuckDB on raw; same figures",
    )

    end = after(1_000_000 / 86_400)
    chosen = files_between(folder, end)

    def raw() -> object:
        return lake.read([name], START, end).to_pandas()

    def arrow() -> object:
        span = (ds.field("series") == name) & (ds.field("time") < pa.scalar(end, SAMPLES.field("time").type))
        return ds.dataset(chosen).to_table(columns=SAMPLES.names, filter=span).to_pandas()

    assert len(raw()) == len(arrow()) == 1_000_000  # type: ignore[arg-type]
    one, other = best_of(5, raw) * 1000, best_of(5, arrow) * 1000
    yield Row(
        "raw range of 1 M samples to pandas",
        "ms",
        one,
        other,
        "≤ 1.5",
        one <= 1.5 * other,
        "beside: pyarrow, same files",
    )


def growth(folder: Path, quick: bool) -> Iterator[Row]:
    """Time a sample to write and tidy as samples and series grow, and to read an hour of one series of them."""
    sizes = [(100_000, 100), (400_000, 1_000)] if quick else [(100_000, 100), (1_000_000, 1_000)]
    sizes += [] if quick else [(10_000_000, 100), (10_000_000, 1_000), (10_000_000, 10_000), (100_000_000, 1_000)]
    least: float | None = None
    windows: list[tuple[str, float, float]] = []
    for samples, series in sizes:
        lake = LakeStore(str(folder / f"{samples}-{series}"))
        names = [f"skid-{k % 100}/T-{k}" for k in range(series)]
        days = samples / series * 10 / 86_400
        wrote = fill(lake, names, days, step=10, at_once=400_000 / series * 10 / 86_400) / samples * 1e6
        least = least or wrote
        label = f"{samples:,} samples of {series:,} series"
        yield Row(f"{label}: write and tidy", "µs", wrote, least, "≤ 2 × the first", wrote <= 2 * least, "a sample")
        windows.append((label, *hour_of_one(lake, names[7 :: series // 10])))
    flat = windows[1][1]
    for label, read, opened in windows:
        yield Row(f"{label}: read an hour of one", "ms", read, flat, "≤ 1.5 × the second", read <= 1.5 * flat)
        yield Row(f"{label}: by a handle just opened", "ms", opened)


def hour_of_one(lake: LakeStore, names: list[str]) -> tuple[float, float]:
    """Milliseconds to read the first hour of one series, over each of ``names``: with footers kept, and anew."""

    def look(handle: LakeStore, name: str) -> None:
        assert len(handle.read([name], START, after(1 / 24))) == 360

    for name in names:
        look(lake, name)
    warm = [best_of(25, partial(look, lake, name)) for name in names]
    return median(warm) * 1000, best_of(5, lambda: look(LakeStore(lake.path), names[0])) * 1000


def files_between(folder: Path, end: object) -> list[str]:
    """Paths of the files whose rows begin before ``end``."""
    actions = pa.table(DeltaTable(str(folder / "samples")).get_add_actions(flatten=True)).to_pylist()
    return [str(folder / "samples" / action["path"]) for action in actions if action["min.time"] < end]


def _bytes(folder: Path, table: str) -> int:
    actions = pa.table(DeltaTable(str(folder / table)).get_add_actions(flatten=True))
    return int(np.sum(actions["size_bytes"].to_numpy()))


def _tidy_once(folder: Path, days: float) -> None:
    """As another process would, at that time of the stream; the log is then as old as the stream's time makes it."""
    tidy(LakeStore(str(folder)), after(days))
    for file in (folder / "samples" / "_delta_log").glob("*"):
        with suppress(FileNotFoundError):
            then = file.stat().st_mtime - 300
            os.utime(file, (then, then))
