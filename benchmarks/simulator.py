"""How fast the simulator is: a year of one skid written to Parquet, and a large fleet streamed in bounded memory."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Final

from benchmarks.harness import Row
from simulator import generate, load_scenario
from simulator.recording import write_samples

YEAR_HOURS: Final = 8766.0
YEAR_SECONDS: Final = 120.0  # of processor time, for one skid of 40 instruments
INSTRUMENTS: Final = 40


def measure(quick: bool) -> Iterator[Row]:
    """A year each of a short and a long train, and the memory that a fleet takes an hour after another."""
    hours = 48.0 if quick else 240.0
    for name in ("calm", "long-trains"):
        yield _year(name, hours)
    few, many = (20, 60) if quick else (100, 1000)
    first, _ = _alone(few, 1.0)
    one, two = _alone(many, 1.0), _alone(many, 3.0)
    note = f"{few} skids: {first:.0f} MB; {many} skids for 1 h: {one[0]:.0f} MB; {one[1]:,.0f} samples/s"
    yield Row(f"memory of {many} skids streamed for 3 h", "MB", two[0], target="as for 1 h",
              holds=two[0] < 1.1 * one[0], note=note)  # fmt: skip


def _year(name: str, hours: float) -> Row:
    scenario = load_scenario(name)
    count = len(scenario.fleet.skids[0].instruments)
    with tempfile.TemporaryDirectory() as folder:
        began = time.process_time()
        chunks = generate(scenario, hours=hours, skids=1, chunk_hours=24)
        rows = write_samples((chunk.samples for chunk in chunks), Path(folder) / "samples.parquet")
        spent = (time.process_time() - began) * YEAR_HOURS / hours
    judged = count >= INSTRUMENTS
    return Row(
        f"a year of one skid of {count} instruments",
        "s of processor",
        spent,
        target=f"under {YEAR_SECONDS:g} s for {INSTRUMENTS} instruments",
        holds=spent < YEAR_SECONDS if judged else None,
        note=f"{name}, from {rows:,} samples of {hours:g} h",
    )


def _alone(skids: int, hours: float) -> tuple[float, float]:
    """:func:`_streamed` in a process of its own, so that its memory is nobody else's."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        return pool.submit(_streamed, skids, hours).result()


def _streamed(skids: int, hours: float) -> tuple[float, float]:
    """(highest memory of this process in MB, samples a processor second, plant building included)."""
    began = time.process_time()
    chunks = generate(load_scenario("thousand-skids"), hours=hours, skids=skids, chunk_hours=0.5)
    rows = sum(chunk.samples.num_rows for chunk in chunks)
    spent = time.process_time() - began
    return _peak_mb(), rows / spent


def _peak_mb() -> float:
    """Highest resident memory of this process since it was started; Linux.

    Not ``ru_maxrss``: a new process starts that with what its parent held.
    """
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return next(int(line.split()[1]) / 1024.0 for line in status.splitlines() if line.startswith("VmHWM"))
