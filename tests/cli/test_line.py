"""The whole line by commands alone, with a real broker and real processes."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator

import pytest

from simulator import load_scenario
from skidhand.logbook import Logbook
from tests.support.mosquitto import Mosquitto

FLEET = load_scenario("calm").fleet_path
PATIENCE_S = 120.0


@pytest.fixture
def installed(home, monkeypatch, mosquitto_factory) -> Mosquitto:
    """An installation of its own in the working folder, in stream time, with its broker."""
    broker = mosquitto_factory()
    monkeypatch.setenv("SKIDHAND_CLOCK", "stream")
    monkeypatch.setenv("SKIDHAND_BROKER__HOST", broker.host)
    monkeypatch.setenv("SKIDHAND_BROKER__PORT", str(broker.port))
    monkeypatch.setenv("SKIDHAND_CHANNELS", "file:prompts.jsonl")
    return broker


@pytest.fixture
def services(installed, run, home) -> Iterator[subprocess.Popen[bytes]]:
    """``skidhand run`` as a process, its log in the file ``log``; asked to stop at the end, if it still runs."""
    assert run("check", FLEET, "--apply", "--effective", "2026-01-01").code == 0
    with (home / "log").open("wb") as log:
        process = subprocess.Popen([sys.executable, "-m", "skidhand.cli", "run"], stdout=log, stderr=log)
        yield process
        process.terminate()
        process.wait(PATIENCE_S)


@pytest.mark.broker
@pytest.mark.slow
def test_the_whole_line(run, home, installed, services):
    """What is simulated goes through broker, spool and store into analysis; refusals and signs of life are shown;
    the supervised services end in order on SIGTERM, and what was sent comes out again."""
    with Logbook("skidhand-data/logbook.db") as book:
        wait_for(lambda: {beat.service for beat in book.heartbeats.all()} >= {"ingest", "alerts", "tidy"}, services)
        simulated = run("simulate", "calm", "--hours", "1", "--skids", "1", "--broker", address(installed))
        assert simulated.code == 0, simulated.err
        sent = int(simulated.err.split()[0].replace(",", ""))
        publish_nonsense(installed)
        wait_for(lambda: ingested(book) == sent and "bad-json" in refused(book), services)
        wait_for(lambda: reached(book, "tf-skid-1"), services)
    seen = run("doctor", "--format", "json")
    rows = {(row["part"], row["what"]): row for row in json.loads(seen.out)}
    assert (seen.code, {key: row["note"] for key, row in rows.items() if row["well"] is False}) == (0, {})
    assert ("last refused", "bad-json") in rows
    assert "samples waiting: 0 (" in rows["spool", "skidhand-data/spool.db"]["note"]
    services.send_signal(signal.SIGTERM)
    assert services.wait(PATIENCE_S) == 0
    lines = (home / "log").read_text(encoding="utf-8").splitlines()
    events = [json.loads(line) for line in lines if line.startswith("{")]
    stopped = [event["child"] for event in events if event["event"] == "service stopped"]
    assert stopped == ["ingest", "analyze", "alerts", "tidy", "report", "board"]
    assert [event for event in events if event["event"] == "service ended"] == []
    every = ("--since", "2026-01-01", "--until", "2027-01-01", "--policy", "all", "--out", "all.csv")
    assert run("export", "tf-skid-1", *every).code == 0
    assert len((home / "all.csv").read_text(encoding="utf-8").splitlines()) - 1 == sent


def address(broker: Mosquitto) -> str:
    """Host and port in one word."""
    return f"{broker.host}:{broker.port}"


def ingested(book: Logbook) -> float:
    """Samples that ingest has brought to the store."""
    return next((beat.figures["stored"] for beat in book.heartbeats.all() if beat.service == "ingest"), 0.0)


def refused(book: Logbook) -> dict[str, int]:
    """Refusals of ingest."""
    return next((beat.refusals for beat in book.heartbeats.all() if beat.service == "ingest"), {})


def reached(book: Logbook, skid: str) -> bool:
    """True when analysis of ``skid`` has come within two minutes of the announced time."""
    standing, now = book.analysis.standings().get(skid), book.clock.announced()
    return standing is not None and (now - standing.watermark).total_seconds() <= 120


def publish_nonsense(broker: Mosquitto) -> None:
    """A payload that no format can read."""
    import paho.mqtt.publish

    topic = "skidhand/tansy-4/tf-skid-1/samples"
    paho.mqtt.publish.single(topic, b"{nonsense", qos=1, hostname=broker.host, port=broker.port)


def wait_for(done, services: subprocess.Popen[bytes]) -> None:
    """Return once ``done()``; fail when it does not come about or the services have ended."""
    deadline = time.monotonic() + PATIENCE_S
    while not done():
        assert services.poll() is None, "the services ended"
        assert time.monotonic() < deadline, "it did not come about"
        time.sleep(0.2)
