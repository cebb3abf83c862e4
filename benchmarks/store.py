"""The store's measurements: size, a day at a minute, a year at half a day, a raw range, and growth."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.dataset as ds
from deltalake import DeltaTable

from benchmarks.beside import Beside, influx
from benchmarks.harness import Row, median_of
from benchmarks.store_data import START, after, batches, feed, signals, simulated, tidy
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
    samples = simulated(hours=6 if quick else 24, skids=1 if quick else 3)
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
    # --quick: the hours before the last twenty minutes come in fewer commits.
    busy = 86_400 - 1_200 if quick else 0
    times = (samples["received"].cast(pa.int64()).to_numpy() - int(START.timestamp()) * 1_000_000) / 1e6
    early, late = samples.filter(pa.array(times < busy)), samples.filter(pa.array(times >= busy))
    last = feed(lake, batches(early, 3600)) if len(early) else 0
    for each in batches(late, 5, first=last + 1):
        lake.write(each)
        if each.number % 60 == 0:
            tidy(lake, after((busy + each.number * 5 % 86_400) / 86_400))
            _age(folder)
    log = len(list((folder / "samples" / "_delta_log").iterdir()))
    yield Row("files in the log after it", "files", log, None, "≤ 2,000", log <= 2000, f"{each.number} commits")

    def ask() -> pa.Table:
        return LakeStore(str(folder)).read_buckets([names[3]], START, after(1), 60)

    held = lake.read_buckets([names[3]], START, after(1), 60)
    assert len(held) == 1440
    warm = median_of(7, lambda: lake.read_buckets([names[3]], START, after(1), 60)) * 1000
    cold = median_of(3, ask) * 1000
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
    """A series at 1 s over a year (--quick: 14 days): the 12 h width beside DuckDB on raw, and a raw range."""
    days = 14 if quick else 365
    lake, name = LakeStore(str(folder)), "skid-1/FT-201"
    for day in range(days):
        feed(lake, batches(signals([name], after(day), 86_400, 1), 86_400, first=day * 3 + 1))
    tidy(lake, after(days + 2))
    files = DeltaTable(str(folder / "samples")).file_uris()

    def ours() -> pa.Table:
        return lake.read_buckets([name], START, after(days), 43_200)

    def beside() -> pa.Table:
        asked = (
            "select time_bucket(interval '12 hours', time, timestamptz '1970-01-01 00:00:00+00') as start, "
            "min(value) as low, max(value) as high, avg(value) as mean from read_parquet(?) "
            "where series = ? group by 1 order by 1"
        )
        return duckdb.execute(asked, [files, name]).to_arrow_table()  # type: ignore[no-any-return, return-value, unused-ignore]

    mine, theirs = ours(), beside()
    assert mine["min"].to_pylist() == theirs["low"].to_pylist()
    assert mine["max"].to_pylist() == theirs["high"].to_pylist()
    mean = mine["integral"].to_numpy() / mine["covered"].to_numpy()
    assert np.allclose(mean, theirs["mean"].to_numpy(), rtol=1e-9)
    one, other = median_of(5, ours) * 1000, median_of(3, beside) * 1000
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
    one, other = median_of(5, raw) * 1000, median_of(5, arrow) * 1000
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
    """Time a sample to write and tidy, and to read a fixed window, as samples and series grow."""
    sizes = [(100_000, 100), (500_000, 100), (500_000, 1_000)]
    sizes += [] if quick else [(10_000_000, 1_000), (10_000_000, 10_000), (100_000_000, 1_000)]
    first: tuple[float, float] | None = None
    for samples, series in sizes:
        lake = LakeStore(str(folder / f"{samples}-{series}"))
        names = [f"skid-{k % 100}/T-{k}" for k in range(series)]
        each = min(samples // series, max(1, 1_000_000 // series))
        rounds = samples // series // each

        def fill(lake: LakeStore = lake, names: list[str] = names, each: int = each, rounds: int = rounds) -> None:
            for k in range(rounds):
                part = signals(names, after(k * each * 10 / 86_400), each * 10, 10)
                feed(lake, batches(part, 10 * each, first=3 * k + 1))
                tidy(lake, after((k + 1) * each * 10 / 86_400 + 2))

        wrote = median_of(1, fill) / samples * 1e6

        def look(lake: LakeStore = lake, name: str = names[7]) -> pa.Table:
            return lake.read([name], START, after(1 / 24))

        window = median_of(5, look) * 1000
        first = first or (wrote, window)
        label = f"{samples:,} samples of {series:,} series"
        yield Row(
            f"{label}: write and tidy", "µs", wrote, first[0], "≤ 2 × the first", wrote <= 2 * first[0], "a sample"
        )
        yield Row(
            f"{label}: read an hour of one", "ms", window, first[1], "≤ 2 × the first", window <= 2 * first[1] + 5
        )


def files_between(folder: Path, end: object) -> list[str]:
    """Paths of the files whose rows begin before ``end``."""
    actions = pa.table(DeltaTable(str(folder / "samples")).get_add_actions(flatten=True)).to_pylist()
    return [str(folder / "samples" / action["path"]) for action in actions if action["min.time"] < end]


def _bytes(folder: Path, table: str) -> int:
    actions = pa.table(DeltaTable(str(folder / table)).get_add_actions(flatten=True))
    return int(np.sum(actions["size_bytes"].to_numpy()))


def _age(folder: Path) -> None:
    """Make the log's files as old as the five minutes that were played would have made them."""
    import os

    for file in (folder / "samples" / "_delta_log").iterdir():
        then = file.stat().st_mtime - 300
        os.utime(file, (then, then))
