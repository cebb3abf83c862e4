"""How fast analytics is: a year of one skid with every detector, and one live cycle of a fleet."""

from __future__ import annotations

import resource
import tempfile
import time
import uuid
from collections.abc import Iterator
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import pyarrow as pa

from analytics.engine import Memory, builtin_detectors, to_bytes
from analytics.segments import minute_of
from analytics.service import Analyzer
from analytics.walk import Walk, cut
from benchmarks.harness import Row
from simulator import generate, load_scenario
from simulator.scenario import write_fleet
from skidhand.clock import MINUTE_US, StreamClock
from skidhand.fleet import load_fleet
from skidhand.logbook import Logbook
from skidhand.stores import open_store
from skidhand.stores.base import Batch

DAY: Final = 1440
TIMES_REAL: Final = 100_000.0
YEAR_S: Final = 365.25 * 86_400.0 / TIMES_REAL  # 316 s of processor
CYCLE_S: Final = 20.0
SKIDS: Final = 300  # of that cycle
GROWN_MB: Final = 50.0
SORTED: Final[list[tuple[str, Literal["ascending", "descending"]]]] = [("series", "ascending"), ("time", "ascending")]


def measure(quick: bool) -> Iterator[Row]:
    """A year of a long train from the simulator, then the steady cycle of many skids on a lake."""
    yield from _year(3 if quick else 90)
    yield from _live(*(100, 15) if quick else (300, 180))


def _year(days: int) -> Iterator[Row]:
    """From ``days`` days, made and worked through one after the other, so that memory is that of the work."""
    scenario = load_scenario("long-trains")
    skid, first = scenario.fleet.skids[0], minute_of(scenario.start)
    version = load_fleet(scenario.fleet_path)
    walk = Walk(skid.id, [(scenario.start, version)], builtin_detectors(), Memory(), first)
    spent, peaks, states = 0.0, [], []
    for day, chunk in enumerate(generate(scenario, hours=24.0 * days, skids=1, chunk_hours=24)):
        table = chunk.samples.sort_by(SORTED)  # as a store gives it; what lies on disk is measured in the group `store`
        start = first + day * DAY
        if not day:  # the first hours load what is needed
            walk.go(start + DAY // 4, partial(cut, table), block=DAY, snapshots_from=2**40)
        began = time.process_time()
        walk.go(start + DAY, partial(cut, table), block=DAY, snapshots_from=2**40)
        spent += time.process_time() - began
        peaks.append(_peak_mb())
        states.append(len(to_bytes(walk.memory)) / 1000.0)
    spent *= 365.25 / (days - 0.25)
    yield Row(
        f"a year of one skid of {len(skid.instruments)} instruments at 10 s, all detectors",
        "s of processor",
        spent,
        target=f"under {YEAR_S:.0f} s: {TIMES_REAL:,.0f} times real time",
        holds=spent < YEAR_S,
        note=f"{365.25 * 86_400 / spent:,.0f} times real time, from {days} days",
    )
    third = days // 3
    grown = peaks[-1] - peaks[third - 1]
    yield Row(
        f"peak memory grows in days {third + 1} to {days}",
        "MB",
        grown,
        target=f"under {GROWN_MB:g} MB: bounded",
        holds=grown < GROWN_MB,
        note=f"{peaks[-1]:.0f} MB; the skid's memory in the logbook is {states[third - 1]:.0f} kB after day {third}, "
        f"{states[-1]:.0f} kB at the end",
    )


def _live(skids: int, minutes: int) -> Iterator[Row]:
    """``skids`` skids whose first ``minutes`` are worked in; then cycles of one minute each."""
    scenario = load_scenario("thousand-skids")
    last, steady = minutes + 4, []
    chunks = generate(scenario, hours=last / 60.0, skids=skids, chunk_hours=last / 60.0)
    samples = pa.concat_tables(chunk.samples for chunk in chunks)
    minute = np.asarray(samples["time"].cast(pa.int64()).to_numpy() // MINUTE_US) - minute_of(scenario.start)
    with tempfile.TemporaryDirectory() as folder, Logbook(str(Path(folder) / "log.db")) as logbook:
        write_fleet(scenario, Path(folder) / "fleet.yaml")
        logbook.fleets.apply(load_fleet(Path(folder) / "fleet.yaml"), effective=scenario.start, who="benchmark")
        store, clock, writer = open_store(str(Path(folder) / "lake")), StreamClock(), str(uuid.uuid4())
        analyzer = Analyzer(store, logbook, clock=clock, owner="benchmark", lateness_s=0.0)
        for number, end in enumerate((minutes, *range(minutes + 1, last)), 1):
            start = 0 if number == 1 else end - 1
            part = samples.filter(pa.array((minute >= start) & (minute < end)))
            store.write(Batch(writer, number, f"{number:064x}", part))
            clock.announce(scenario.start + timedelta(minutes=end))
            took = _cycle(analyzer)
            if number > 1:
                steady.append(took)
        store.close()
    most = CYCLE_S * skids / SKIDS
    wall, queued, spent = (float(np.median([one[i] for one in steady])) for i in range(3))
    ours = wall - queued
    yield Row(
        f"a live cycle of {skids} skids, a minute each, on a core of its own", "s", ours,
        target=f"under {most:.3g} s: {CYCLE_S:g} s for {SKIDS}", holds=ours < most,
        note=f"{spent:.1f} s of processor; by the clock {wall:.1f} s, as other work had the core for {queued:.1f} s; "
        f"{len(samples) // skids // last} samples a skid and minute; peak memory of the benchmark {_peak_mb():.0f} MB",
    )  # fmt: skip


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def _cycle(analyzer: Any) -> tuple[float, float, float]:
    """(seconds by the clock, of these waiting for a core that other work had, seconds of processor) of one cycle."""
    wall, queued, spent = time.perf_counter(), _queued(), time.process_time()
    analyzer.run_once()
    return time.perf_counter() - wall, _queued() - queued, time.process_time() - spent


def _queued() -> float:
    """Seconds for which this process was ready and had no core (Linux, sched-stats.rst); 0 where nothing tells."""
    told = Path("/proc/self/schedstat")
    return int(told.read_text(encoding="ascii").split()[1]) / 1e9 if told.exists() else 0.0
