"""What is measured beside the store: a real InfluxDB of its own, compacting as soon as it is left alone."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pyarrow as pa

from benchmarks.harness import best_of
from benchmarks.store_data import START, after, batches, feed
from skidhand.model.samples import micros
from skidhand.stores import open_store
from tests.support.influx import Influx, program

_PROMPT = {
    "INFLUXDB_DATA_CACHE_SNAPSHOT_WRITE_COLD_DURATION": "1s",
    "INFLUXDB_DATA_COMPACT_FULL_WRITE_COLD_DURATION": "1s",
}


class Beside:
    """The samples of one measurement in a bucket of their own, written through our own influx store."""

    def __init__(self, server: Influx, folder: Path) -> None:
        self._server, self._folder = server, folder

    def _filled(self, samples: pa.Table) -> str:
        url = self._server.new_url()
        store = open_store(url)
        feed(store, batches(samples, 1800))
        store.close()
        return url

    def stored_bytes(self, samples: pa.Table) -> int:
        """Bytes of the engine's compressed files, once nothing waits in the write-ahead log and files are merged.

        Its index of series is left out: it is laid out in blocks of megabytes, whatever is in it.
        """
        bucket = self._filled(samples).rpartition("/")[2]
        data = self._folder / "data" / bucket
        seen, since = -1, time.monotonic()
        deadline = since + 30
        while time.monotonic() < min(since + 4, deadline):
            now = _size(data)
            if now != seen:
                seen, since = now, time.monotonic()
            time.sleep(0.25)
        return seen

    def day_at_a_minute(self, samples: pa.Table, series: str) -> float:
        """Seconds for min, max, mean, first, last, count and sum of a day at a minute, parsed."""
        bucket = self._filled(samples).rpartition("/")[2]
        figures = ", ".join(f'{f}("value")' for f in ("count", "min", "max", "mean", "first", "last", "sum"))
        span = f"time >= {micros(START) * 1000} AND time < {micros(after(1)) * 1000}"
        asked = f"""SELECT {figures} FROM skidhand_samples WHERE "series" = '{series}' AND {span} GROUP BY time(1m)"""

        def ask() -> int:
            return len(json.loads(self._server.ask(asked, bucket))["results"][0]["series"][0]["values"])

        assert ask() == 1440
        return best_of(7, ask)


@contextmanager
def influx(folder: Path) -> Iterator[Beside | None]:
    """A server, or None where its programs are not installed."""
    if program("influxd") is None or program("nginx") is None:
        yield None
        return
    before = {name: os.environ.get(name) for name in _PROMPT}
    os.environ.update(_PROMPT)
    server = Influx(folder)
    try:
        server.start()
        yield Beside(server, folder)
    finally:
        server.stop()
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _size(folder: Path) -> int:
    return sum(file.stat().st_size for file in folder.rglob("*.tsm"))
