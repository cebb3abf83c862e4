"""Runs the demo from an empty folder to the closing tables."""

from __future__ import annotations

import logging
import shutil
import sys
from datetime import timedelta
from pathlib import Path
from typing import Final

import structlog
from rich.console import Console

from analytics.scoring import Score, score
from simulator.generate import generate
from simulator.scenario import Scenario, load_scenario
from simulator.truth import truth_of, write_truth
from skidhand.clock import monotonic
from skidhand.demo.feed import steps
from skidhand.demo.open_board import show_board
from skidhand.demo.pipeline import Pipeline
from skidhand.demo.show import PhoneChannel, events_table, figures_table, progress_bar, wash_line, where_next
from skidhand.errors import UserError
from skidhand.fleet import load_fleet
from skidhand.model.truth import Truth

SCENARIO: Final = "demo"
STEP_MINUTES: Final = 15
MARK: Final = ".skidhand-demo"


def run_demo(
    *,
    seed: int | None = None,
    hours: float | None = None,
    skids: int | None = None,
    data: Path | None = None,
    board: bool = False,
) -> int:
    """Run it and print what happened; 0 when every event was found, nothing false called and no sample lost.

    ``data`` is the folder that the run leaves behind (default ``demo-data`` here). A folder of an earlier demo
    is replaced; UserError when it holds anything else. ``board`` leaves the board open on it until Ctrl-C.
    """
    scenario = load_scenario(SCENARIO)
    folder = _fresh(Path("demo-data") if data is None else data)
    # A pipe has no width; the tables need this much.
    console = Console(width=None if sys.stdout.isatty() else 140)
    # Services log to stdout, which here belongs to the technician's messages.
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    number = scenario.file.seed if seed is None else seed
    truth = truth_of(scenario, hours=hours, skids=skids, seed=number)
    write_truth(truth, folder / "truth.json")
    began = monotonic()
    version, phone = load_fleet(scenario.fleet_path), PhoneChannel(console)
    with Pipeline.open(folder, version, [phone], start=scenario.start, seed=number) as pipeline:
        _play(pipeline, scenario, truth, console, seed=number)
        judged = score(pipeline.logbook.analysis.current(), truth)
        result = _close(pipeline, judged, truth, console, folder, monotonic() - began)
    if board:
        show_board(folder, console)
    return result


def _play(pipeline: Pipeline, scenario: Scenario, truth: Truth, console: Console, *, seed: int) -> None:
    hours = (truth.end - truth.start) / timedelta(hours=1)
    console.print(
        f"{len(truth.skids)} skids of {truth.fleet}, {hours:g} simulated hours at 10-second samples, seed {seed}, "
        f"over {pipeline.broker.name}. Everything here is invented. Times inside a text are the pad's own.\n",
        highlight=False,
    )
    with progress_bar(console) as bar:
        task = bar.add_task("simulated hours", total=hours)
        for step in steps(generate(scenario, hours=hours, skids=len(truth.skids), seed=seed), minutes=STEP_MINUTES):
            pipeline.step(step)
            bar.update(task, completed=(step.end - truth.start) / timedelta(hours=1))


def _close(pipeline: Pipeline, judged: Score, truth: Truth, console: Console, folder: Path, seconds: float) -> int:
    stats = pipeline.ingest.stats()
    sent, refused = pipeline.publisher.samples_sent, sum(stats.refused.values())
    stored = pipeline.stored()
    lost = sent - stored - refused
    console.print(events_table(judged, truth))
    for call in judged.false_calls:
        console.print(f"FALSE: {call.kind} on {call.skid} {call.unit} at {call.detected:%a %d %H:%M}Z", highlight=False)
    fine = not (judged.missed or judged.false or lost)
    console.print(
        figures_table(
            [
                ("events found", f"{judged.found} of {judged.events}, cause right {judged.cause_right}"),
                ("washes called in time", wash_line(judged)),
                ("false calls", str(judged.false)),
                ("messages to people", str(pipeline.messages())),
                ("samples sent / stored / refused / lost", f"{sent:,} / {stored:,} / {refused:,} / {lost:,}"),
                ("took", f"{seconds:.0f} s"),
            ]
        )
    )
    console.print(where_next(folder), highlight=False, markup=False, soft_wrap=True)
    if not fine:
        console.print("The demo failed: see the lines above.", style="bold")
    return 0 if fine else 1


def _fresh(folder: Path) -> Path:
    if folder.exists() and any(folder.iterdir()):
        if not (folder / MARK).exists():
            raise UserError(f"{folder} holds something else than an earlier demo; name another folder with --data")
        shutil.rmtree(folder)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / MARK).touch()
    return folder.absolute()
