"""How fast a finding becomes a message, and what a flood costs.

``python -m benchmarks.alerts [--skids 300] [--flood 10000]``: a real logbook file (SQLite, full sync), the real
service loop in a thread, a gateway that takes each message in 20 ms. Printed: time from the commit of a finding to the
gateway (median, 99th percentile, worst), with one finding a second over the fleet and bursts of ten; then the flood.
"""

from __future__ import annotations

import argparse
import logging
import tempfile
import threading
import time
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import uuid4

import structlog

from alerts.channels.recording import RecordingChannel
from alerts.service import AlertService
from skidhand.clock import WallClock
from skidhand.fleet import parse_fleet
from skidhand.logbook import Logbook
from skidhand.logbook.analysis import Standing, Worked
from skidhand.model.finding import Finding, finding_id

TEN = 10
ANSWER_S = 0.02


class Gateway(RecordingChannel):
    """Notes when each message came."""

    name = "gateway"
    address = "phone"

    def __init__(self) -> None:
        super().__init__()
        self.at: dict[str, float] = {}

    def send(self, delivery):
        """Take it, as quickly as a gateway in the same town."""
        time.sleep(ANSWER_S)
        super().send(delivery)
        self.at.setdefault(str(delivery.prompt), time.monotonic())


def fleet(skids: int):
    """A fleet of that many skids, one person a skid so that no flood keeps a message back."""
    ids = [f"s-{i:04d}" for i in range(skids)]
    lines = ["version: 1", "fleet: Benchmark", "sites:"]
    lines += [f"  - {{id: pad-{i}, name: Pad {i}, timezone: America/Chicago}}" for i in ids]
    lines += ["skids:"]
    lines += [
        f"  - {{id: {i}, name: {i}, placements: [{{site: pad-{i}, from: 2020-01-01}}], instruments: {{}}}}" for i in ids
    ]
    lines += ["roster:", "  escalation: {minutes: []}", "  people:"]
    lines += [f'    - {{id: p-{i}, name: P, phone: "+1202{5550000 + n}"}}' for n, i in enumerate(ids)]
    lines += ["  duties:"] + [f"    - {{people: [p-{i}], sites: [pad-{i}]}}" for i in ids]
    return parse_fleet("\n".join(lines)), ids


def found(skid: str, digest: str) -> Finding:
    """A new finding that may not wait."""
    now, run = datetime.now(UTC), str(uuid4())
    return Finding(
        id=finding_id(skid, "u", "tank-filling", run), revision=1, state="open", kind="tank-filling",
        site=f"pad-{skid}", skid=skid, unit="u", run_key=run, onset=now, detected=now, severity="high", confidence=0.9,
        cause_class="process", detector="benchmark", detector_version=1, fleet_version=digest, watermark=now,
    )  # fmt: skip


def commit(book: Logbook, skid: str, findings: list[Finding]) -> float:
    """As analytics does; gives when it was done."""
    book.leases.take(f"analyze:{skid}", "benchmark")
    book.analysis.commit(Worked(Standing(skid, None, findings[0].watermark, b""), findings), owner="benchmark")
    return time.monotonic()


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--skids", type=int, default=300)
    options.add_argument("--seconds", type=int, default=60)
    options.add_argument("--flood", type=int, default=10_000)
    given = options.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    version, skids = fleet(given.skids)
    with tempfile.TemporaryDirectory() as folder, Logbook(str(Path(folder) / "logbook.db")) as book:
        book.fleets.apply(version, effective=datetime.now(UTC) - timedelta(days=1), who="benchmark")
        gateway, stop = Gateway(), threading.Event()
        clock = WallClock()
        service = AlertService(book, clock=clock, channels=[gateway], instance="benchmark")
        service.run_once()  # reads the fleet file, which takes seconds once
        thread = threading.Thread(target=service.run_forever, args=(0.2, stop))
        thread.start()
        made: dict[str, float] = {}
        for second in range(given.seconds):
            begin = time.monotonic()
            for n in range(TEN if second % TEN == 0 else 1):
                one = found(skids[(second * 7 + n) % len(skids)], version.digest)
                made[str(one.id)] = commit(book, one.skid, [one])
            time.sleep(max(0.0, 1.0 - (time.monotonic() - begin)))
        time.sleep(5.0)
        prompts = {i: book.prompts.of_finding(i) for i in made}
        waits = sorted(gateway.at[str(prompts[i].id)] - at for i, at in made.items())
        p99 = waits[min(len(waits) - 1, int(0.99 * len(waits)))]
        print(f"{len(waits)} findings, {given.skids} skids: finding to gateway median {waits[len(waits) // 2]:.2f} s, "
              f"99 % {p99:.2f} s, worst {waits[-1]:.2f} s")  # fmt: skip
        before, begin = len(gateway.sent), time.monotonic()
        share = max(1, given.flood // len(skids))
        committed = 0
        while committed < given.flood:
            skid = skids[committed // share % len(skids)]
            committed += len(batch := [found(skid, version.digest) for _ in range(min(share, given.flood - committed))])
            commit(book, skid, batch)
        written = time.monotonic() - begin
        while book.prompts.inbox_depth():
            time.sleep(0.2)
        worked = time.monotonic() - begin
        time.sleep(75.0)
        stop.set()
        thread.join()
        most = max(Counter(one.person for one in gateway.sent[before:]).values())
        print(f"flood of {given.flood}: written in {written:.0f} s, worked in after {worked:.0f} s, "
              f"{len(book.prompts.open())} prompts open, at most {most} messages to one person")  # fmt: skip


if __name__ == "__main__":
    main()
