"""How fast the simulator is: a year of one skid written to Parquet, and a large fleet streamed.

    python -m benchmarks.simulator [--hours 240] [--skids 30]

Prints processor seconds, scaled to a year, and the highest memory of the process.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from pathlib import Path

from simulator import generate, load_scenario
from simulator.recording import write_samples

YEAR_HOURS = 8766.0


def year(name: str, hours: float) -> None:
    """One skid of ``name`` for ``hours``, scaled to a year."""
    scenario = load_scenario(name)
    skid = scenario.fleet.skids[0]
    with tempfile.TemporaryDirectory() as folder:
        began = time.process_time()
        chunks = generate(scenario, hours=hours, skids=1, chunk_hours=24)
        rows = write_samples((chunk.samples for chunk in chunks), Path(folder) / "samples.parquet")
        spent = time.process_time() - began
    per_year = spent * YEAR_HOURS / hours
    print(f"{name}: {len(skid.instruments)} instruments, {rows:,} samples of {hours:g} h in {spent:.1f} s: "
          f"{per_year:.0f} s a year")  # fmt: skip


def fleet(skids: int, hours: float) -> None:
    """A large fleet streamed; nothing is kept."""
    scenario = load_scenario("thousand-skids")
    began = time.process_time()
    rows = sum(chunk.samples.num_rows for chunk in generate(scenario, hours=hours, skids=skids, chunk_hours=1))
    spent = time.process_time() - began
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(f"{skids} skids streamed: {rows:,} samples of {hours:g} h in {spent:.1f} s, at most {memory:.0f} MB")


def main() -> None:
    """Run both."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=240.0)
    parser.add_argument("--skids", type=int, default=30)
    parser.add_argument("--fleet-hours", type=float, default=6.0)
    given = parser.parse_args()
    for name in ("calm", "long-trains"):
        year(name, given.hours)
    fleet(given.skids, given.fleet_hours)


if __name__ == "__main__":
    main()
