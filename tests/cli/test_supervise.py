"""The supervisor with real processes: what dies comes back, and a stop goes in the order of the data."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from skidhand.supervise import Patience

CHILD = """
import os, signal, sys, time
name, diary, stubborn = sys.argv[1], sys.argv[2], len(sys.argv) > 3
def say(what):
    with open(diary, "a") as file:
        file.write(f"{what} {name} {os.getpid()}\\n")
def stop(*_):
    if not stubborn:
        time.sleep(0.2)  # long enough for a neighbour that is stopped too early to overtake
        say("stop")
        sys.exit(0)
signal.signal(signal.SIGTERM, stop)
signal.signal(signal.SIGINT, stop)
say("start")
while True:
    time.sleep(0.05)
"""

SUPERVISOR = """
import sys
from skidhand.supervise import Child, Patience, supervise
script, diary, *names = sys.argv[1:]
children = [Child(n, (sys.executable, script, *n.split("="), diary)) for n in names if "=" not in n]
children += [Child(n, (sys.executable, script, n.split("=")[0], diary, "stubborn")) for n in names if "=" in n]
supervise(children, Patience(grace=2.0, first_delay=0.05, longest_delay=0.2))
"""


class Run:
    """A supervisor process and the diary of its children."""

    def __init__(self, folder: Path, names: tuple[str, ...]) -> None:
        script, self.diary = folder / "child.py", folder / "diary"
        script.write_text(CHILD, encoding="utf-8")
        self.diary.touch()
        command = [sys.executable, "-c", SUPERVISOR, str(script), str(self.diary), *names]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)

    def lines(self, what: str) -> list[tuple[str, int]]:
        """(name, pid) of every ``start`` or ``stop`` so far."""
        words = [line.split() for line in self.diary.read_text(encoding="utf-8").splitlines()]
        return [(name, int(pid)) for verb, name, pid in words if verb == what]

    def wait_for_starts(self, count: int) -> list[tuple[str, int]]:
        """The starts, once there are ``count``; fails when they do not come."""
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            if len(starts := self.lines("start")) >= count:
                return starts
            assert self.process.poll() is None, self.process.stdout.read()
            time.sleep(0.02)
        raise AssertionError(f"only {self.lines('start')} started")


@pytest.fixture
def start(tmp_path) -> Iterator:
    """``start("a", "b=stubborn")`` runs these children under a supervisor; nothing outlives the test."""
    runs: list[Run] = []

    def make(*names: str) -> Run:
        runs.append(Run(tmp_path, names))
        return runs[-1]

    yield make
    for run in runs:
        if run.process.poll() is None:
            family = psutil.Process(run.process.pid).children(recursive=True)
            run.process.kill()
            for child in family:
                child.kill()
        run.process.communicate()


def test_what_is_killed_comes_back(start):
    """A child that is killed is started again, and only that one."""
    run = start("a", "b")
    first = dict(run.wait_for_starts(2))
    psutil.Process(first["a"]).kill()
    *_, (name, pid) = run.wait_for_starts(3)
    assert name == "a"
    assert pid != first["a"]
    assert psutil.Process(first["b"]).is_running()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_stop_goes_in_order(start, number):
    """On SIGTERM or Ctrl-C each child ends before the next one is told, all are gone, and the status is 0."""
    run = start("a", "b", "c")
    started = run.wait_for_starts(3)
    run.process.send_signal(number)
    said, _ = run.process.communicate(timeout=60)
    assert run.process.returncode == 0, said
    assert [name for name, _ in run.lines("stop")] == ["a", "b", "c"]
    assert [pid for _, pid in started if psutil.pid_exists(pid)] == []


def test_what_does_not_stop_is_killed(start):
    """A child that ignores the stop is killed after the grace, and said to have been."""
    run = start("a", "b=stubborn")
    started = run.wait_for_starts(2)
    run.process.terminate()
    said, _ = run.process.communicate(timeout=60)
    assert "did not stop, killed" in said
    assert [pid for _, pid in started if psutil.pid_exists(pid)] == []


def test_a_stop_while_it_waits_to_restart(start):
    """A child that cannot stay up is tried again and again, and a stop does not wait for it."""
    run = start("a")
    for count in range(1, 4):
        _, pid = run.wait_for_starts(count)[-1]
        psutil.Process(pid).kill()
    run.process.terminate()
    said, _ = run.process.communicate(timeout=60)
    assert run.process.returncode == 0
    assert said.count("service ended") >= 2


def test_delays_grow_to_a_limit():
    """Each delay lies between half and all of a doubling one, and none is longer than the limit."""
    patience = Patience(first_delay=1.0, longest_delay=60.0)
    for failures, full in [(1, 1), (2, 2), (3, 4), (6, 32), (7, 60), (5000, 60)]:
        delays = [patience.delay(failures) for _ in range(50)]
        assert full / 2 <= min(delays) <= max(delays) <= full
        assert len(set(delays)) > 1
