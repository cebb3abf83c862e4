"""One path: ``skidhand analyze --follow``, restarted and killed while data come late, ends with a replay's findings."""

from __future__ import annotations

import os
import random
import socket
import subprocess
import sys
import time
from contextlib import closing
from datetime import timedelta

import pyarrow as pa
import pytest

from analytics.service import Analyzer
from simulator.generate import generate
from simulator.scenario import load_scenario
from skidhand.clock import MINUTE_US, StreamClock
from skidhand.fleet import load_fleet
from skidhand.logbook import Logbook
from skidhand.model.finding import identity
from skidhand.stores import open_store
from skidhand.stores.base import Batch

pytestmark = pytest.mark.slow

DAYS = int(os.environ.get("SKIDHAND_KILL_DAYS", "5"))
SKID = "tf-skid-1"
STEP = 12  # hours that arrive at once
HELD = {2: 4, 3: 4, 6: 8}  # pieces that arrive after later ones, the first two in the wrong order
KILLED, RESTARTED = {5, 9}, {7, 31}  # arrivals: a kill with each gap that closes


@pytest.fixture(scope="module")
def skid():
    """(scenario, pieces of half a day as a slow gateway sends them: one sample a minute)."""
    scenario = load_scenario("hard-week")
    pieces = []
    for chunk in generate(scenario, hours=DAYS * 24, skids=1, chunk_hours=STEP):
        time_us = chunk.samples["time"].cast(pa.int64()).to_numpy()
        pieces.append(chunk.samples.filter(pa.array(time_us % MINUTE_US < 10_000_000)))
    assert chunk.skid == SKID
    return scenario, pieces


class Live:
    """``skidhand analyze --follow`` as a process of its own, on a lake and a logbook in a folder."""

    def __init__(self, folder, logbook):
        self.environment = os.environ | {
            "SKIDHAND_STORE": str(folder / "lake"),
            "SKIDHAND_LOGBOOK": str(folder / "log.db"),
            "SKIDHAND_CLOCK": "stream",
        }
        self.logbook, self.log = logbook, (folder / "analyze.log").open("wb")
        self.start()

    def start(self):
        """One more process."""
        command = [sys.executable, "-m", "skidhand.cli", "analyze", "--follow", "--interval", "0.1"]
        self.process = subprocess.Popen(command, env=self.environment, stdout=self.log, stderr=self.log)

    def restart(self):
        """As a service manager does it: the process gives its leases back."""
        self.process.terminate()
        assert self.process.wait(60) == 0
        self.start()

    def kill(self):
        """kill -9; the leases would run out by the wall's clock, two minutes later: the test does not wait."""
        self.process.kill()
        self.process.wait()
        for skid in skids(self.logbook):
            self.logbook.leases.release(f"analyze:{skid}", f"{socket.gethostname()}:{self.process.pid}")

    def until(self, moment, cursor):
        """Wait until all before ``moment`` is worked in and something has arrived since ``cursor``."""
        end = time.monotonic() + 120
        while (standing := self.logbook.analysis.standings().get(SKID)) is None or (
            standing.watermark < moment or standing.cursor == cursor
        ):
            assert self.process.poll() is None, "analyze ended by itself"
            assert time.monotonic() < end, "the analysis did not get there"
            time.sleep(0.05)


def test_live_with_late_data_restarts_and_kills_equals_a_replay(skid, tmp_path):
    """Half days arrive late and out of order while the process is restarted and killed at chance moments: the last
    words on every finding equal those of one pass, no revision is lost or doubled, and what was over when it became
    known is marked late.

    Five days of one skid; a month with ``SKIDHAND_KILL_DAYS=30``, with three kills more.
    """
    scenario, pieces = skid
    version, end = load_fleet(scenario.fleet_path), scenario.start + timedelta(days=DAYS, minutes=30)
    with Logbook(str(tmp_path / "log.db")) as logbook, closing(open_store(str(tmp_path / "lake"))) as store:
        store.set_clock("stream")
        logbook.open_clock("stream")
        logbook.fleets.apply(version, effective=scenario.start, who="test")
        live = Live(tmp_path, logbook)
        try:
            follow(live, store, scenario.start, pieces)
            logbook.clock.announce(end)
            live.until(end - timedelta(minutes=2), None)
        finally:
            live.kill()
            live.log.close()
        found, current = told(logbook), logbook.analysis.current(skid=SKID)
        numbers = [[r.revision for r in logbook.analysis.history(f.id)] for f in current]
        with Logbook(str(tmp_path / "once.db")) as replayed:
            replayed.fleets.apply(version, effective=scenario.start, who="test")
            clock = StreamClock()
            clock.announce(end)
            Analyzer(store, replayed, clock=clock, owner="once").run_once()
            assert found == told(replayed)
    assert {f.kind for f in current} >= {"dp-rise"}
    late = [f for f in current if f.late]
    assert late
    assert all(f.state != "open" for f in late)
    assert all(revisions == list(range(1, len(revisions) + 1)) for revisions in numbers)


def follow(live, store, start, pieces):
    """All pieces in their order of arrival, the process stopped where the tables above say."""
    chance = random.Random(8)
    arrivals = sorted(range(len(pieces)), key=lambda i: (HELD.get(i, i), i in HELD, -i))
    killed = KILLED | set(chance.sample(range(10, len(pieces)), max(0, DAYS // 8)))
    for number, i in enumerate(arrivals, 1):
        now = start + timedelta(hours=STEP * (max(arrivals[:number]) + 1), minutes=5)
        standing = live.logbook.analysis.standings().get(SKID)
        store.write(Batch("w", number, f"{number:064x}", received(pieces[i], i, now)))
        live.logbook.clock.announce(now)
        if number in killed:
            time.sleep(chance.uniform(0.0, 0.6))  # the moment of a kill: in a cycle, or between two
            live.kill()
            live.start()
        elif number in RESTARTED:
            live.restart()
        live.until(now - timedelta(minutes=2), standing and standing.cursor)


def received(piece, i, now):
    """A piece that was held back is received when it comes."""
    if i not in HELD:
        return piece
    field = piece.schema.field("received")
    return piece.set_column(piece.schema.get_field_index("received"), field, pa.array([now] * len(piece), field.type))


def told(logbook):
    """What must be equal between a live run and a replay."""
    return {(identity(f), f.ended, f.root) for f in logbook.analysis.current(skid=SKID)}


def skids(logbook):
    """Ids of all skids in force."""
    return [skid.id for skid in logbook.fleets.versions()[-1][1].fleet.skids]
