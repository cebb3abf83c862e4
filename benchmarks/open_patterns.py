"""The watch over several readings on open recordings: a circulation loop (SKAB) and one temperature (NAB).

One fixed setting for all files. SKAB: I. D. Katser & V. O. Kozitsin, 2020, doi 10.34740/KAGGLE/DSV/1693952: learnt of
the first 400 rows, scored on the rest, pooled over files; settings were chosen on every other file ("open"), the rest
("kept") was only measured. Half of a recording without anomaly is added to each, to its rows as well. A label stands
for the row, the alarm for the rows after the mean that raised it. Skipped where the recordings are not there; they are
never part of this repository.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from analytics.frame import F64, Mask
from analytics.pattern import Pattern, PatternState, Settings
from benchmarks.harness import Row
from tests.support import datasets

MEAN: Final = 10.0  # seconds
LEARN_ROWS: Final = 400
ONE: Final = Settings(learn=96)  # half hours of one channel: two days
SOON: Final = 60.0  # seconds after a change point within which it is told
NOT_READINGS: Final = ("file", "row", "datetime", "anomaly", "changepoint")


@dataclass
class Score:
    """Pooled over files: rows by truth and alarm, events, delays in s, onsets that meet no event, quiet hours.

    ``changes`` are labelled, ``turns`` are begins and ends of alarms, ``met`` are pairs of them.
    """

    hit: int = 0
    missed: int = 0
    false: int = 0
    quiet: int = 0
    events: int = 0
    found: int = 0
    delays: list[float] = field(default_factory=list)
    onsets: int = 0
    hours: float = 0.0
    changes: int = 0
    turns: int = 0
    met: int = 0

    def add(self, time: F64, truth: Mask, alarm: Mask) -> None:
        """One recording: arrays (n,), time in s."""
        self.hit += int((truth & alarm).sum())
        self.missed += int((truth & ~alarm).sum())
        self.false += int((~truth & alarm).sum())
        self.quiet += int((~truth & ~alarm).sum())
        spans = _spans(truth)
        for begin, end in spans:
            self.events += 1
            if alarm[begin:end].any():
                self.found += 1
                self.delays.append(float(time[begin + int(np.argmax(alarm[begin:end]))] - time[begin]))
        self.onsets += sum(not truth[begin] for begin, _ in _spans(alarm))
        self.hours += float(np.diff(time)[~truth[1:]].sum()) / 3600.0

    def turn(self, changes: F64, turns: F64) -> None:
        """One recording's change points and turns, s: each turn meets one change point of the minute before it."""
        free = turns.tolist()
        for change in changes:
            if (at := next((t for t in free if change <= t <= change + SOON), None)) is not None:
                free.remove(at)
        self.changes, self.turns = self.changes + len(changes), self.turns + len(turns)
        self.met += len(turns) - len(free)

    def rows(self, half: str) -> Iterator[Row]:
        """What is told of it."""
        f1 = self.hit / (self.hit + (self.false + self.missed) / 2)
        far = 100.0 * self.false / (self.false + self.quiet)
        mar = 100.0 * self.missed / (self.missed + self.hit)
        delay = float(np.median(self.delays)) if self.delays else np.inf
        yield Row(f"SKAB {half}: F1", "", f1, None, "≥ 0.87", f1 >= 0.87)
        yield Row(f"SKAB {half}: false alarm rate", "%", far, None, "≤ 8", far <= 8)
        yield Row(f"SKAB {half}: missed alarm rate", "%", mar, None, "≤ 18", mar <= 18)
        note = f"{self.found} of {self.events} events"
        yield Row(
            f"SKAB {half}: events found", "", self.found, None, "all but one", self.found >= self.events - 1, note
        )
        yield Row(f"SKAB {half}: median delay", "s", delay, None, "≤ 30", delay <= 30)
        false = self.onsets / self.hours
        yield Row(f"SKAB {half}: false onsets", "/h", false, None, "≤ 1", false <= 1, f"{self.hours:.1f} quiet h")
        turned = 2.0 * self.met / (self.changes + self.turns)
        note = f"{self.met} met, {self.changes} changes, {self.turns} begins and ends of alarms"
        yield Row(f"SKAB {half}: F1 of change points", "", turned, None, "≥ 0.72", turned >= 0.72, note)


def measure(quick: bool) -> Iterator[Row]:  # noqa: ARG001  (the same either way: seconds)
    """See :class:`benchmarks.harness.Group`."""
    root = datasets.folder()
    if root is None or not (root / "skab" / "dev").is_dir():
        yield Row("patterns", note="skipped: no open recordings; SKIDHAND_DATASETS names their folder")
        return
    halves = {"open": Score(), "kept": Score()}
    table = pd.read_parquet(root / "skab" / "dev" / "skab_dev.parquet")
    for i, (_, rows) in enumerate(table.groupby("file")):
        _add(halves["kept" if i % 2 else "open"], rows.sort_values("row"), rows["anomaly"].to_numpy() == 1)
    free = pd.read_parquet(root / "skab" / "dev" / "anomaly_free_part1.parquet")
    for score, part in zip(halves.values(), (free[: len(free) // 2], free[len(free) // 2 :]), strict=True):
        _add(score, part, np.zeros(len(part), dtype=np.bool_))
    for half, score in halves.items():
        yield from score.rows(half)
    yield from _one_channel(root / "nab_industrial" / "dev")


def _add(score: Score, rows: pd.DataFrame, truth: Mask) -> None:
    stamps = rows["datetime"].to_numpy("datetime64[us]").astype(np.int64) / 1e6
    time = stamps - stamps[0]
    readings = [name for name in rows.columns if name not in NOT_READINGS]
    part, at = np.unique(time // MEAN, return_inverse=True)
    means = rows[readings].groupby(at).mean().to_numpy(np.float64)
    learn = int(np.searchsorted(part, time[LEARN_ROWS] // MEAN))
    said = _alarms(means, Settings(learn=learn))
    alarm = np.append(False, said[:-1])[at]  # what a mean says is known when it is over
    score.add(time[LEARN_ROWS:], truth[LEARN_ROWS:], alarm[LEARN_ROWS:])
    if "changepoint" in rows:
        changes = rows["changepoint"].to_numpy() == 1
        score.turn(time[LEARN_ROWS:][changes[LEARN_ROWS:]], time[1:][np.diff(alarm)])


def _one_channel(folder: Path) -> Iterator[Row]:
    name = "machine_temperature_system_failure"
    rows = pd.read_parquet(folder / f"{name}.parquet")
    values = rows.set_index(pd.to_datetime(rows["timestamp"]))["value"].resample("30min").mean()
    starts = [values.index[begin] for begin, _ in _spans(_alarms(values.to_numpy(np.float64)[:, None], ONE))]
    told = json.loads((folder / f"{name}.windows.json").read_text(encoding="utf-8"))
    windows = [(pd.Timestamp(a), pd.Timestamp(b)) for a, b in (told if isinstance(told, list) else told["windows"])]
    found = sum(any(a <= start <= b for start in starts) for a, b in windows)
    false = sum(not any(a <= start <= b for a, b in windows) for start in starts)
    yield Row("NAB temperature: windows found", "", found, None, "≥ 3 of 4", found >= 3, f"of {len(windows)}")
    yield Row("NAB temperature: false onsets", "", false, None, "≤ 4 in 79 days", false <= 4)


def _alarms(points: F64, settings: Settings) -> Mask:
    pattern = Pattern(settings, PatternState())
    return np.array([pattern.step(point) for point in points], dtype=np.bool_)


def _spans(mask: Mask) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
