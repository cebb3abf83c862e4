"""``skidhand analyze --cluster``: the work of each skid, unchanged, on a Dask cluster."""

from __future__ import annotations

import threading
import time
from contextlib import closing, suppress
from datetime import timedelta

import pyarrow as pa
import pytest

from analytics.cluster import Cluster, Place
from analytics.follow import Summary
from analytics.service import Analyzer
from simulator.generate import generate
from simulator.scenario import load_scenario
from skidhand.clock import MINUTE_US, StreamClock
from skidhand.errors import OutsideError, UserError
from skidhand.fleet import load_fleet
from skidhand.logbook import Logbook
from skidhand.model.finding import identity
from skidhand.stores import open_store
from skidhand.stores.base import Batch

HOURS = 12


@pytest.fixture(scope="module")
def data(tmp_path_factory):
    """A folder with a lake of two of the demo's skids, one sample a minute, and the scenario."""
    folder, scenario = tmp_path_factory.mktemp("cluster"), load_scenario("demo")
    with closing(open_store(str(folder / "lake"))) as store:
        store.set_clock("stream")
        for number, chunk in enumerate(generate(scenario, hours=HOURS, skids=2, chunk_hours=HOURS), 1):
            time_us = chunk.samples["time"].cast(pa.int64()).to_numpy()
            thin = chunk.samples.filter(pa.array(time_us % MINUTE_US < 10_000_000))
            store.write(Batch("w", number, f"{number:064x}", thin))
    return folder, scenario


def logbook_of(data, name):
    """A logbook of that name beside the lake, everything announced."""
    folder, scenario = data
    book = Logbook(str(folder / name))
    book.open_clock("stream")
    book.fleets.apply(load_fleet(scenario.fleet_path), effective=scenario.start, who="test")
    book.clock.announce(scenario.start + timedelta(hours=HOURS))
    return book


def told(book):
    """What must be equal: every revision of every finding, and how far each skid is."""
    history = [(identity(r), r.revision, r.ended, r.root) for f in book.analysis.current() for r in
               book.analysis.history(f.id)]  # fmt: skip
    return sorted(map(str, history)), {skid: one.watermark for skid, one in book.analysis.standings().items()}


def test_two_worker_processes_find_what_one_process_finds(data):
    """On a local cluster of two processes every revision, watermark and memory equals that of one process."""
    with logbook_of(data, "cluster.db") as many, logbook_of(data, "one.db") as one:
        cluster = Cluster(
            "local:2", Place.of(str(data[0] / "lake"), str(data[0] / "cluster.db"), "stream"), many, owner="c"
        )
        try:
            spread = cluster.run_once()
        finally:
            cluster.release()
        with closing(open_store(str(data[0] / "lake"))) as store:
            clock = StreamClock(one.clock.announced)
            summary = Analyzer(store, one, clock=clock, owner="one").run_once()
        assert spread == summary
        assert told(many) == told(one)
        assert summary.findings == len(told(one)[0]) > 0
        states = [{skid: s.state for skid, s in book.analysis.standings().items()} for book in (many, one)]
        assert states[0] == states[1]
        assert all(many.leases.take(f"analyze:{skid}", "next") for skid in states[0])


@pytest.mark.parametrize("address", ["local:0", "local:", "local:some"])
def test_an_address_that_is_none_is_said(tmp_path, address):
    """The message names what was given and what would be valid."""
    place = Place.of(str(tmp_path / "lake"), str(tmp_path / "log.db"), "stream")
    with Logbook(place.logbook) as book, pytest.raises(UserError, match=f"'{address}'.*'local:4'"):
        Cluster(address, place, book, owner="test")
    assert str(tmp_path) not in repr(place)


def test_a_scheduler_that_is_lost_is_waited_out(tmp_path, monkeypatch):
    """Lost in the middle of a cycle, still away in the next: both refused; back, and one of the next is done."""
    dask, distributed = pytest.importorskip("dask"), pytest.importorskip("distributed")
    monkeypatch.setattr("analytics.cluster.skids_of", lambda _: ["one"])
    monkeypatch.setattr("analytics.cluster.analyze_part", lambda *_: time.sleep(2) or Summary(skids=1))

    def scheduler(port=0):
        return distributed.LocalCluster(
            n_workers=1, processes=False, protocol="tcp://", scheduler_port=port, dashboard_address=None
        )

    place = Place.of(str(tmp_path / "lake"), str(tmp_path / "log.db"), "stream")
    with dask.config.set({"distributed.comm.timeouts.connect": "1s"}), Logbook(place.logbook) as book:
        first = scheduler()
        port = int(first.scheduler_address.rpartition(":")[2])
        cluster = Cluster(first.scheduler_address, place, book, owner="test")
        loss = threading.Timer(1.0, first.close)
        loss.start()
        for _ in range(2):
            with pytest.raises(OutsideError):
                cluster.run_once()
        loss.join()
        with closing(scheduler(port)):
            for _ in range(5):  # what still tries to connect again may need a cycle to give up
                with suppress(OutsideError):
                    assert cluster.run_once().skids == 1
                    break
            else:
                pytest.fail("no cycle was done")
            cluster.release()
