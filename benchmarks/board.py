"""The board's measurements: 300 skids with 50 viewers, what goes over the wire, a year's trend, memory, a slow phone.

The board runs as a process of its own, as it does in service; its viewers are here.
"""

from __future__ import annotations

import asyncio
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import timedelta
from pathlib import Path

import httpx
import numpy as np
import psutil

from benchmarks.harness import Row
from benchmarks.store_data import START, after, batches, feed, signals, tidy
from skidhand.fleet import parse_fleet
from skidhand.logbook import Logbook
from skidhand.stores.lake import LakeStore

SKIDS = 300
VIEWERS = 50
PAUSE_S = 2.0  # between two loads of one viewer
YEAR = 365
TAGS = ("FT-201", "PDT-301", "AT-301")
SKID = """
  - id: s-{n}
    name: Skid {n}
    placements: [{{site: pad-{pad}, from: 2025-01-01}}]
    instruments:
      FT-201: {{unit: "[gal_us]/min", period: 600}}
      PDT-301: {{unit: "[psi]", period: 600}}
      AT-301: {{unit: "mg/L", period: 600}}
    units:
      - {{id: filter-a, type: media_filter, roles: {{flow: FT-201, dp: PDT-301, outlet_oil: AT-301}}}}
    spec: {{oil: {{limit: 60, unit: "mg/L", basis: 1h}}}}"""


def measure(quick: bool) -> Iterator[Row]:
    """See :class:`benchmarks.harness.Group`."""
    with tempfile.TemporaryDirectory(prefix="skidhand-bench-") as name:
        folder = Path(name)
        _prepare(folder, days=30 if quick else YEAR)
        with _board(folder) as (address, process):
            yield from viewers(address, seconds=6 if quick else 60)
            yield from wire(address)
            yield from year(address, quick)
            yield from phone(address)
            yield from soak(address, process, seconds=8 if quick else 1800)


def viewers(address: str, seconds: float) -> Iterator[Row]:
    """Server time of the fleet page: 50 viewers who each load it every two seconds, none of whom has it yet."""
    took = asyncio.run(_view(address, seconds))
    p95 = float(np.percentile(took, 95)) * 1000
    note = f"{len(took)} loads by {VIEWERS} viewers, seen from outside"
    yield Row(f"fleet page of {SKIDS} skids, 95th percentile", "ms", p95, None, "≤ 100", p95 <= 100, note)


def wire(address: str) -> Iterator[Row]:
    """Bytes of the fleet page with its style and script, packed, as they are sent."""
    with httpx.Client(headers={"accept-encoding": "gzip"}) as client:
        page = client.get(address).text
        parts = [address, *(address + path for path in re.findall(r'(?:src|href)="(/static/[^"]+)"', page))]
        size = 0
        for part in parts:
            with client.stream("GET", part) as answer:
                size += sum(len(chunk) for chunk in answer.iter_raw())
    yield Row("fleet page on the wire, with style and script", "kB", size / 1000, None, "≤ 200", size <= 200_000)


def year(address: str, quick: bool) -> Iterator[Row]:
    """A trend of three instruments over all there is, through the API."""
    days = 30 if quick else YEAR
    tags = "&".join(f"tag={tag}" for tag in TAGS)
    span = f"start={START:%Y-%m-%dT%H:%M:%SZ}&end={after(days):%Y-%m-%dT%H:%M:%SZ}"
    ask = f"{address}/api/v1/skids/s-1/trend?{tags}&{span}"
    took = []
    for _ in range(7):
        began = time.perf_counter()
        httpx.get(ask, timeout=60).raise_for_status()
        took.append((time.perf_counter() - began) * 1000)
    middle = float(np.median(took[1:]))
    yield Row(f"trend of 3 instruments over {days} days", "ms", middle, None, "≤ 300", middle <= 300)


def phone(address: str) -> Iterator[Row]:
    """Until the fleet page can be used: a processor four times slower, 1.6 Mbit/s, 150 ms to the server."""
    program = shutil.which("chromium")
    if program is None:
        yield Row("usable on a slow phone", note="skipped: chromium is not installed")
        return
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=program)
        page = browser.new_context(viewport={"width": 390, "height": 844}).new_page()
        slow = page.context.new_cdp_session(page)
        slow.send("Emulation.setCPUThrottlingRate", {"rate": 4})
        slow.send("Network.enable")
        line = {"offline": False, "latency": 150, "downloadThroughput": 200_000, "uploadThroughput": 94_000}
        slow.send("Network.emulateNetworkConditions", line)
        page.goto(address)
        ready = page.evaluate("performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd") / 1000
    note = "4× slower processor, 1.6 Mbit/s, 150 ms"
    yield Row("usable on a slow phone", "s", ready, None, "≤ 2", ready <= 2, note)


def soak(address: str, process: psutil.Process, seconds: float) -> Iterator[Row]:
    """Memory of the board after a first minute's worth of pages, and after many more."""
    paths = ("/", "/skids/s-1", "/skids/s-2?span=30d", "/api/v1/skids", "/prompts")
    with httpx.Client(timeout=60) as client:
        for _ in range(4):
            for path in paths:
                client.get(address + path)
        before, loads, end = process.memory_info().rss, 0, time.monotonic() + seconds
        while time.monotonic() < end:
            for path in paths:
                client.get(address + path)
                loads += 1
    grown = (process.memory_info().rss - before) / 1e6
    note = f"{loads} pages in {seconds:.0f} s; {before / 1e6:.0f} MB before"
    yield Row("memory grown while it served", "MB", grown, None, "≤ 30", grown <= 30, note)


async def _view(address: str, seconds: float) -> list[float]:
    took: list[float] = []

    async def viewer(client: httpx.AsyncClient, delay: float) -> None:
        await asyncio.sleep(delay)
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            began = time.perf_counter()
            (await client.get(address)).raise_for_status()
            took.append(time.perf_counter() - began)
            await asyncio.sleep(PAUSE_S)

    async with httpx.AsyncClient(timeout=60) as client:
        await client.get(address)
        await asyncio.gather(*(viewer(client, PAUSE_S * n / VIEWERS) for n in range(VIEWERS)))
    return took


def _prepare(folder: Path, days: int) -> None:
    """300 skids with a day of data, one of them with ``days``; all of it tidied."""
    text = "version: 1\nfleet: Large\nsites:\n" + "".join(
        f"  - {{id: pad-{n}, name: Pad {n}, timezone: UTC}}\n" for n in range(10)
    )
    text += "skids:" + "".join(SKID.format(n=n, pad=n % 10) for n in range(1, SKIDS + 1))
    now = after(days)
    with Logbook(str(folder / "l.db")) as book:
        book.guard_clock("stream")
        book.clock.announce(now)
        book.fleets.apply(parse_fleet(text), effective=START, who="benchmark")
    lake = LakeStore(str(folder / "lake"))
    lake.set_clock("stream")
    long = signals([f"s-1/{tag}" for tag in TAGS], START, days * 86_400, 600)
    last = feed(lake, batches(long, 30 * 86_400))
    names = [f"s-{n}/{tag}" for n in range(2, SKIDS + 1) for tag in TAGS]
    feed(lake, batches(signals(names, now - timedelta(days=1), 86_400, 600), 86_400, first=last + 1))
    tidy(lake, now)


@contextmanager
def _board(folder: Path) -> Iterator[tuple[str, psutil.Process]]:
    """``skidhand board`` as a process, on a free port."""
    words = ["board", "--port", "0", "--open", "--store", str(folder / "lake"), "--logbook", str(folder / "l.db")]
    process = subprocess.Popen(
        [sys.executable, "-m", "skidhand.cli", *words],
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
        env={"SKIDHAND_CLOCK": "stream", "PATH": "/usr/bin:/bin"},
    )
    try:
        assert process.stderr is not None
        line = process.stderr.readline()
        found = re.search(r"http://\S+", line)
        if found is None:
            raise RuntimeError(f"the board did not start: {line}{process.stderr.read()}")
        with httpx.Client(timeout=120) as client:
            client.get(found[0])
        yield found[0], psutil.Process(process.pid)
    finally:
        process.terminate()
        with suppress(subprocess.TimeoutExpired):
            process.wait(20)
        process.kill()
        process.communicate()
