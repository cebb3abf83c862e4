"""Real recordings through every room: broker, ingest, lake, analysis, logbook, prompts.

PHME20 filter clogging rig (PHM Society Europe 2020 data challenge; Ince, Sirkeci & Genc, PHME 2020,
doi 10.36001/phme.2020.v5i1.1317): 24 runs of one filter to a drop of 20 psi, at 10 Hz.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pytest

from alerts.channels.recording import RecordingChannel
from simulator.recording import load_map, read_recording
from skidhand.demo.feed import Step
from skidhand.demo.pipeline import Pipeline
from skidhand.fleet import parse_fleet
from skidhand.model.samples import micros

START = datetime(2026, 1, 1, tzinfo=UTC)
GAP = timedelta(minutes=5)  # between two runs: the filter is changed
STEP = timedelta(minutes=5)
SECOND = timedelta(minutes=1)  # a second of the rig is played as a minute of a plant

FLEET = """
version: 1
fleet: Sorrel rig
sites: [{id: sorrel-lab, name: Sorrel laboratory, timezone: UTC}]
skids:
  - id: rig-1
    name: Rig 1
    placements: [{site: sorrel-lab, from: 2025-12-01}]
    backwash_by: person
    instruments:
      FT-1: {unit: mL/min, range: [0, 2000]}
      PT-1: {unit: "[psi]", range: [-5, 100]}
      PT-2: {unit: "[psi]", range: [-5, 100]}
    units:
      - id: filter
        type: media_filter
        roles: {flow: FT-1, inlet_pressure: PT-1, outlet_pressure: PT-2}
        limits: {dp_terminal: {value: 20, unit: "[psi]"}}
roster:
  people: [{id: avery, name: Avery Lund, phone: "+12025550141"}]
  duties: [{people: [avery]}]
  escalation: {minutes: []}
"""

MAP = """
version: 1
time: {column: time_s, format: seconds, start: 2026-01-01T00:00:00Z, scale: 60}
run: {column: run, gap_s: 300}
columns:
  - {column: flow_ml_min, skid: rig-1, tag: FT-1}
  - {column: p_up_psi, skid: rig-1, tag: PT-1}
  - {column: p_down_psi, skid: rig-1, tag: PT-2}
"""


def played(rows: pd.DataFrame) -> list[tuple[datetime, datetime, datetime]]:
    """(start, terminal pressure, end) of each run on the plant's clock, as the map lays them out."""
    runs, start = [], START
    for _, run in rows.groupby("run", sort=False):
        first, last = run.time_s.iloc[0], run.time_s.iloc[-1]
        start = start if runs else START + first * SECOND
        runs.append((start, start + (run.life_s.iloc[0] - first) * SECOND, start + (last - first) * SECOND))
        start = runs[-1][2] + GAP
    return runs


def in_steps(tables: Iterator[pa.Table]) -> Iterator[Step]:
    """Five minutes at a time, so that a prompt is no older than that when it is sent."""
    samples = pa.concat_tables(tables)
    times, at, end = samples["time"].cast(pa.int64()).to_numpy(), 0, START
    while at < len(times):
        end += STEP
        stop = int(times.searchsorted(micros(end)))
        yield Step(end, samples.slice(at, stop - at))
        at = stop


@pytest.mark.broker
@pytest.mark.datasets
@pytest.mark.slow
@pytest.mark.timeout(900)
def test_every_run_of_a_real_filter_is_called_in_time(datasets: Path, tmp_path: Path) -> None:
    """Each of 24 runs gets one backwash prompt before 20 psi, none comes right after a wash, nothing is lost."""
    recording = datasets / "phme20" / "dev" / "phme20_training.parquet"
    runs = played(pd.read_parquet(recording, columns=["run", "time_s", "life_s"]))
    (tmp_path / "map.yaml").write_text(MAP)
    version = parse_fleet(FLEET)
    tables = read_recording(recording, load_map(tmp_path / "map.yaml", version.fleet), version.fleet)
    phone = RecordingChannel()
    (tmp_path / "run").mkdir()
    with Pipeline.open(tmp_path / "run", version, [phone], start=START, seed=1) as pipeline:
        for step in in_steps(tables):
            pipeline.step(step)
        sent, stored = pipeline.publisher.samples_sent, pipeline.stored()
        prompts = [p for p in pipeline.logbook.prompts.all() if p.kind == "backwash"]
    assert stored == sent > 0
    called = [[p for p in prompts if start <= p.created <= end + GAP] for start, _, end in runs]
    assert [len(of_run) for of_run in called] == [1] * 24
    early = [
        (of_run[0].created - start) / (terminal - start)
        for of_run, (start, terminal, _) in zip(called, runs, strict=True)
    ]
    assert max(early) < 1.0, "a prompt came after the terminal pressure"
    assert min(early) > 0.3, "a prompt came right after a wash"
    # The rig runs on past its limit, so that each prompt is told once more, as severe.
    told = [delivery for delivery in phone.sent if "backwash" in delivery.text]
    assert sum(" MED: " in delivery.text for delivery in told) == 24
    assert all(" HIGH: " in delivery.text for delivery in told if " MED: " not in delivery.text)
