"""kill -9 of a real alerts process, again and again, while findings come in: nothing is lost."""

from __future__ import annotations

import json
import multiprocessing
import random
import time
from pathlib import Path

import pytest

from alerts.channels.file import FileChannel
from alerts.service import AlertService
from skidhand.logbook import Logbook
from tests.alerts.helpers import NOON, VERSION, Analyser, finding
from tests.logbook.databases import database

KILLS = {"sqlite": 100, "postgresql": 12}
EACH = 2  # findings a round


def work(url: str, out: str) -> None:
    """What the killed process does: alerts, until it is killed."""
    logbook = Logbook(url)
    service = AlertService(logbook, clock=logbook.open_clock("stream"), channels=[FileChannel(out)], instance="alerts")
    service.run_forever(0.005)


@pytest.fixture(scope="module")
def processes():
    """Processes that start fast: forked from a server that has imported everything, never from the test's own."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["alerts.service", "tests.alerts.helpers", "tests.alerts.test_kills"])
    return context


@pytest.mark.slow
@pytest.mark.parametrize("kind", sorted(KILLS))
def test_kills_lose_no_prompt_and_second_copies_say_so(tmp_path, processes, kind):
    """Each finding has its prompt and at least one whole message; whatever came twice is marked as a repeat."""
    out, draw, kills = tmp_path / "sent.jsonl", random.Random(3), KILLS[kind]
    with database(kind, tmp_path) as url, Logbook(url) as logbook:
        logbook.fleets.apply(VERSION, effective=NOON, who="test")
        logbook.clock.announce(NOON)
        analyser, made = Analyser(logbook), []
        for kill in range(kills + 1):
            made += (fresh := [finding(run=f"{kill}-{i}") for i in range(EACH)])
            analyser.commit(*fresh)
            process = processes.Process(target=work, args=(url, str(out)))
            process.start()
            if kill < kills:
                # Before, among or after this round's messages: that is where a death hurts.
                sent = EACH * kill + draw.randint(0, EACH)
                _wait_until(lambda sent=sent: _lines(out) >= sent, process)
            else:
                _wait_until(lambda: _settled(logbook), process)
            process.kill()
            process.join()
            process.close()
        messages = [json.loads(line) for line in out.read_bytes().splitlines() if _whole(line)]
        prompts = {logbook.prompts.of_finding(one.id).id for one in made}
        assert len(prompts) == len(made)
        assert {str(prompt) for prompt in prompts} <= {message["prompt"] for message in messages}
        copies = [message["id"] for message in messages if not message["repeat"]]
        assert len(copies) == len(set(copies))
        assert logbook.prompts.inbox_depth() == 0


def _lines(path: Path) -> int:
    return path.read_bytes().count(b"\n") if path.exists() else 0


def _whole(line: bytes) -> bool:
    try:
        json.loads(line)
    except ValueError:
        return False
    return True


def _settled(logbook: Logbook) -> bool:
    return not logbook.prompts.inbox_depth() and {d.state for d in logbook.prompts.deliveries()} == {"sent"}


def _wait_until(done, process, seconds=60.0):
    end = time.monotonic() + seconds
    while not done():
        assert process.is_alive(), "alerts died by itself"
        assert time.monotonic() < end, "alerts does not get on"
        time.sleep(0.002)
