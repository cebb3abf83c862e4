"""How well a filter's end is foretold on open recordings of rigs, by the product's own forecast.

PHM Society Europe 2020 data challenge (Ince, Sirkeci & Genc, doi 10.36001/phme.2020.v5i1.1317), water with particles
to 20 psi; gas filters to 600 Pa under dust (Hagmeyer, Mauthe & Zeiler, doi 10.36001/ijphm.2021.v12i2.3087), plain and
with noise and bias. Every other run teaches, the rest are foretold; a second of a recording counts as a minute.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from analytics.forecast import Left, Library, learn, left
from analytics.frame import F64
from analytics.past_runs import RECENT, PastRun, Seen, past_run
from benchmarks.harness import Row

SHARES: Final = (0.25, 0.5, 0.75, 0.9)
STEPS: Final = tuple(np.arange(0.10, 0.99, 0.04))  # shares of life over which the mean error is taken
IN_SERVICE: Final = 0.3  # of the usual flow: below it the rig is starting
COVERED: Final = (0.70, 0.90)


@dataclass(frozen=True)
class OpenSet:
    """One set: its file, limit, name of the load, runs of ``alike`` only teach each other; targets of the table."""

    name: str
    file: str
    limit: float
    load: str
    alike: str | None
    mae: float
    shares: tuple[float, ...]  # % of life at SHARES; empty: not asked for
    load_known: bool = True


_GAS: Final = "filtration_gas_100/dev/runs_dev.parquet"
_NOISY: Final = "filtration_gas_noisy/dev/train_35_full_runs.parquet"
_WATER: Final = "phme20/dev/phme20_training.parquet"
SETS: Final = (
    OpenSet("phme20", _WATER, 20.0, "solid_ratio_pct", "particle_um", 5.0, (4, 4, 4, 0.5)),
    OpenSet("filtration_gas_100", _GAS, 600.0, "feed_setting", None, 5.5, (5, 4, 3, 2)),
    OpenSet("filtration_gas_100, feed unknown", _GAS, 600.0, "feed_setting", None, 7.5, (), load_known=False),
    OpenSet("filtration_gas_noisy", _NOISY, 600.0, "dust_feed_mm3_s", None, 5.0, ()),
)


@dataclass(frozen=True)
class Recording:
    """One run, a second an entry: share of the usual flow, drop; its life in seconds."""

    flow: F64
    drop: F64
    life: float
    load: float
    alike: str

    def seen(self, seconds: float) -> tuple[F64, F64, F64, F64]:
        """Throughput, drop, condition factor and hours of the seconds in service, of the first ``seconds``."""
        n = int(seconds)
        good = self.flow[:n] > IN_SERVICE
        flow = self.flow[:n][good]
        return np.cumsum(flow) / 60.0, self.drop[:n][good], flow, np.arange(1, len(flow) + 1) / 60.0

    def past(self) -> PastRun:
        """The whole run, as a library keeps it."""
        at, drop, factor, hours = self.seen(self.life)
        return past_run(at, drop, factor, hours, float(at[-1]), self.load)

    def left(self, library: Library, seconds: float, limit: float) -> Left | None:
        """What is foretold after ``seconds``, hours."""
        at, drop, factor, _ = self.seen(seconds)
        if len(at) < 3:
            return None
        recent = max(3, int(RECENT * len(at)))
        pace = 1.0 / float(np.mean(factor[-recent:]))
        return left(library, Seen(at, drop, factor, float(at[-1]), pace, self.load), limit)


def measure(root: Path) -> Iterator[Row]:
    """Rows of every set that is there."""
    for each in SETS:
        if not (root / each.file).is_file():
            yield Row(f"{each.name}: mean error", note=f"skipped: no {each.file} in the folder of open recordings")
            continue
        yield from rows(each, recordings(each, root / each.file))


def recordings(each: OpenSet, path: Path) -> list[Recording]:
    """The runs in the order of the file, ten samples a second."""
    table = pd.read_parquet(path)
    water = "flow_ml_min" in table
    flows = table["flow_ml_min" if water else "flow"]
    usual = float(flows[flows > 0].median())
    drops = table["p_up_psi"] - table["p_down_psi"] if water else table["dp_pa"]
    table = table.assign(_flow=flows / usual, _drop=drops)
    found = []
    for _, run in table.groupby("run", sort=False):
        first = run.iloc[0]
        life = float(first["life_s"]) if "life_s" in run else float(first["rul_s"] + first["time_s"])
        size = len(run) // 10 * 10
        flow, drop = (run[name].to_numpy(float)[:size].reshape(-1, 10).mean(axis=1) for name in ("_flow", "_drop"))
        load = float(first[each.load]) if each.load_known else np.nan
        found.append(Recording(flow, drop, life, load, str(first[each.alike]) if each.alike else ""))
    return found


def rows(each: OpenSet, runs: Sequence[Recording]) -> Iterator[Row]:
    """Mean error, error at shares of life, and how often and how wide the interval holds."""
    errors, held, width = list[float](), list[bool](), list[float]()
    at: dict[float, list[float]] = {share: [] for share in SHARES}
    for alike in sorted({run.alike for run in runs}):
        mine = [run for run in runs if run.alike == alike]
        library = Library()
        for run in mine[::2]:
            library = learn(library, run.past(), each.limit)
        for run in mine[1::2]:
            for share in (*STEPS, *SHARES):
                told = run.left(library, share * run.life, each.limit)
                if told is None:
                    continue
                real = run.life - int(share * run.life)
                error = abs(60.0 * told.median - real)
                if share in at:
                    at[share].append(100.0 * error / run.life)
                if share in STEPS:
                    errors.append(error)
                    held.append(60.0 * told.low <= real <= 60.0 * told.high)
                    width.append(100.0 * 60.0 * (told.high - told.low) / run.life)
    mae, cover = float(np.mean(errors)), float(np.mean(held))
    count = f"{sum(len(v) for v in at.values()) // len(SHARES)} runs foretold by the others"
    yield Row(f"{each.name}: mean error", "s", mae, None, f"≤ {each.mae:g}", mae <= each.mae, count)
    for share, wanted in zip(SHARES, each.shares or (None,) * len(SHARES), strict=True):
        value = float(np.mean(at[share]))
        target, holds = ("", None) if wanted is None else (f"≤ {wanted:g}", value <= wanted)
        yield Row(f"{each.name}: error at {share:.0%}", "% of life", value, None, target, holds)
    low, high = COVERED
    yield Row(f"{each.name}: 80 % interval holds", "%", 100 * cover, None, "70–90", low <= cover <= high,
              f"{np.mean(width):.1f} % of life wide")  # fmt: skip
