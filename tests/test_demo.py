"""The demo: all rooms in one process, and an exit status that can say no."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from alerts.channels.recording import RecordingChannel
from simulator.generate import generate
from simulator.scenario import load_scenario
from skidhand.demo import run_demo
from skidhand.demo.feed import steps
from skidhand.demo.pipeline import Pipeline
from skidhand.errors import UserError
from skidhand.fleet import load_fleet

HOURS = 20  # the first wash of skid 1 lies within


@pytest.mark.broker
def test_the_demo_finds_what_it_planted_and_loses_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A day of one skid ends with status 0, a backwash text before the wash, and every sample in the store."""
    assert run_demo(hours=HOURS, skids=1, data=tmp_path / "run") == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "filter-a backwash about" in said
    assert "washes called in time │ 1 of 1" in said
    assert "/ 0 / 0" in said
    assert (tmp_path / "run" / "truth.json").exists()


@pytest.mark.broker
def test_a_missed_event_is_told_by_the_exit_status(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without detectors the planted run is missed and the demo ends with 1."""
    monkeypatch.setattr("analytics.service.builtin_detectors", dict)
    assert run_demo(hours=HOURS, skids=1, data=tmp_path / "run") == 1


@pytest.mark.broker
def test_a_lost_sample_is_told_by_the_exit_status(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One sample fewer in the store than were sent ends the demo with 1."""
    count = Pipeline.stored
    monkeypatch.setattr(Pipeline, "stored", lambda self: count(self) - 1)
    assert run_demo(hours=1, skids=1, data=tmp_path / "run") == 1


# amqtt leaves its side of closed connections to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_without_mosquitto_a_broker_of_our_own_carries_everything(tmp_path: Path) -> None:
    """Over amqtt, which speaks MQTT 3.1.1 only, every sample arrives too."""
    scenario = load_scenario("demo")
    version = load_fleet(scenario.fleet_path)
    with Pipeline.open(
        tmp_path, version, [RecordingChannel()], start=scenario.start, seed=1, allow_mosquitto=False
    ) as pipeline:
        assert pipeline.broker.name == "amqtt"
        for step in steps(generate(scenario, hours=2), minutes=30):
            pipeline.step(step)
        assert pipeline.stored() == pipeline.publisher.samples_sent > 0


def test_a_folder_of_somebody_else_is_never_touched(tmp_path: Path) -> None:
    """A folder with anything but an earlier demo in it is refused, and what is in it stays."""
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(UserError, match="--data"):
        run_demo(hours=1, skids=1, data=tmp_path)
    assert (tmp_path / "mine.txt").read_text() == "mine"


def test_steps_hold_every_sample_once_in_order_of_arrival() -> None:
    """Steps of all skids together hold what the chunks hold, none of it before it arrived."""
    scenario = load_scenario("demo")
    chunks = list(generate(scenario, hours=2, chunk_hours=1))
    cut = list(steps(iter(chunks), minutes=15))
    assert sum(step.samples.num_rows for step in cut) == sum(chunk.samples.num_rows for chunk in chunks)
    assert [step.end for step in cut] == [scenario.start + timedelta(minutes=15 * (i + 1)) for i in range(8)]
    for step in cut:
        received = step.samples["received"].to_pylist()
        assert step.end - timedelta(minutes=15) <= min(received)
        assert max(received) < step.end
