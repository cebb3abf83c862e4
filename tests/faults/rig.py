"""Ingest as a process that can be killed, between a real broker and a lake, with a gateway that numbers its messages.

Every message carries its number as the value of one tag and as its source time, so that an audit can say of
each single one whether it is in the store, and how often.
"""

from __future__ import annotations

import json
import signal
import sys
import threading
import time
from collections.abc import Callable
from datetime import timedelta
from multiprocessing.process import BaseProcess
from pathlib import Path

from ingest.__main__ import main
from skidhand.clock import WallClock
from skidhand.logbook import Logbook
from skidhand.stores import open_store
from tests.ingest.broker_support import Publisher
from tests.ingest.support import FLEET_TEXT, stored_numbers
from tests.support.forks import context

SERIES = "tf-skid-1/PDT-301"
PATIENCE_S = 60.0
HOUR = timedelta(hours=1)


def until(holds: Callable[[], bool], what: str, seconds: float = PATIENCE_S) -> None:
    """Return once ``holds()``; fail and say ``what`` was waited for."""
    deadline = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < deadline, f"waited in vain: {what}"
        time.sleep(0.02)


class Rig:
    """One worker's world in ``folder``; spool and lake may be told to lie in ``disk`` instead.

    Rigs with a ``group`` and a ``worker`` name share the messages, the lake and the logbook of their folder.
    """

    def __init__(self, server, folder: Path, disk: Path | None = None, worker: str = "spool", group: str = "") -> None:
        disk = disk or folder
        self.server = server
        self.spool, self.lake, self.book = disk / f"{worker}.db", disk / "lake", folder / "book.db"
        (folder / "fleet.yaml").write_text(FLEET_TEXT)
        paths = (folder / "fleet.yaml", self.spool, self.lake, self.book)
        self._arguments = [*map(str, paths), f"{server.host}:{server.port}", "wall", group]
        self.process: BaseProcess | None = None
        self._senders: list[Sender] = []

    def sender(self, pause_s: float = 0.003) -> Sender:
        """A gateway that sends from now on."""
        self._senders.append(Sender(self.server, pause_s))
        return self._senders[-1]

    def clear(self) -> None:
        """End what a failed test has left."""
        for sender in self._senders:
            sender.abandon()
        if self.process is not None and self.process.is_alive():
            self.process.kill()
            self.process.join(30)

    def start(self, *, wait: bool = True, setback: Path | None = None) -> None:
        """A new ingest process.

        While the file ``setback`` exists, its clock is an hour behind.
        """
        seen = self.connections()
        self.process = context().Process(target=run, args=(self._arguments, setback))
        self.process.start()
        if wait:
            until(lambda: self.connections() > seen or not self.process.is_alive(), "ingest's connection to the broker")
            assert self.process.is_alive(), f"ingest ended by itself: {self.process.exitcode}"
            time.sleep(0.1)  # its subscription follows

    def kill(self) -> None:
        """End it as a power cut would; it must not have ended by itself."""
        assert self.process is not None
        self.process.kill()
        self.process.join(30)
        assert self.process.exitcode == -signal.SIGKILL

    def stop(self) -> None:
        """End it in order."""
        assert self.process is not None
        self.process.terminate()
        self.process.join(30)
        assert self.process.exitcode == 0

    def connections(self) -> int:
        """How often an ingest has come, by the broker's log."""
        return self.server.read_log().count(" as skidhand-ingest-")

    def note(self) -> str:
        """What the worker's sign of life says is wrong."""
        with Logbook(str(self.book)) as book:
            return " ".join(beat.note for beat in book.heartbeats.all())

    def stored(self) -> list[float]:
        """The numbers in the store, in order of their time."""
        return stored_numbers(open_store(str(self.lake)), SERIES) if self.lake.is_dir() else []

    def audit(self, sent: int, lost: set[int] = frozenset()) -> None:
        """Wait until all ``sent`` are stored; then each number stands there once, and none is missing but ``lost``."""
        expected = [float(number) for number in range(sent) if number not in lost]
        until(lambda: len(self.stored()) >= len(expected), f"{len(expected)} stored messages")
        assert self.stored() == expected
        batches = self.batches()
        assert batches
        for writer, numbers in batches.items():
            assert numbers == sorted(set(numbers)), f"writer {writer}: a batch was written twice"

    def batches(self) -> dict[str, list[int]]:
        """Of each spool the batch numbers in the lake's log, in the order of its commits."""
        commits = sorted((self.lake / "samples" / "_delta_log").glob("*.json"))
        actions = [json.loads(line) for commit in commits for line in commit.read_text().splitlines()]
        found: dict[str, list[int]] = {}
        for action in actions:
            if "txn" in action and action["txn"]["appId"] != "skidhand.clock":
                found.setdefault(action["txn"]["appId"], []).append(action["txn"]["version"])
        return found


def run(arguments: list[str], setback: Path | None) -> None:
    """In the process: its exit code is what ingest says."""
    if setback is not None:
        true_now = WallClock.now

        def now(self):
            return true_now(self) - HOUR if setback.exists() else true_now(self)

        WallClock.now = now
    sys.exit(main(arguments))


class Sender:
    """A gateway that publishes numbered messages from a thread, about 300 a second, until :meth:`finish`."""

    def __init__(self, server, pause_s: float) -> None:
        self._publisher = Publisher(server)
        self._pause_s = pause_s
        self._enough = threading.Event()
        self._thread = threading.Thread(target=self._send, daemon=True)
        self.sent = 0
        self._thread.start()

    def _send(self) -> None:
        handle = None
        while not self._enough.wait(self._pause_s):
            handle = self._publisher.number(self.sent)
            self.sent += 1
        if handle is not None:
            handle.wait_for_publish(30)

    def abandon(self) -> None:
        """Stop now."""
        self._enough.set()

    def finish(self) -> int:
        """Stop, once the broker has confirmed all; how many were sent."""
        self._enough.set()
        self._thread.join(60)
        self._publisher.close()
        return self.sent
