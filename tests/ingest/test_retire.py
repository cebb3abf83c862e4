"""A worker that is taken away for good: what it had spooled and what the broker kept for it reach the store, once."""

import multiprocessing
import sys

import pytest
from deltalake import DeltaTable

from ingest.__main__ import main
from ingest.peek import peek, worker_of
from skidhand.logbook import Logbook
from skidhand.stores import open_store
from tests.cli.conftest import home, run  # noqa: F401 - fixtures
from tests.ingest.broker_support import Publisher, lasting_lines, service_of
from tests.ingest.support import FLEET_TEXT, stored_numbers
from tests.ingest.test_drain import until
from tests.support.mosquitto import _free_port

SERIES = "tf-skid-1/PDT-301"
GROUP = "historian"


@pytest.fixture
def server(mosquitto_factory):
    """A broker of one's own."""
    return mosquitto_factory(lasting_lines())


@pytest.fixture
def publisher(server):
    """A gateway on it."""
    client = Publisher(server)
    yield client
    client.close()


@pytest.fixture
def doomed(server, tmp_path):
    """A worker of the group as a process of its own, whose store is away: what it takes stays in its spool."""
    (tmp_path / "fleet.yaml").write_text(FLEET_TEXT)
    away = f"influx://127.0.0.1:{_free_port()}/nowhere?tls=off"
    files = [str(tmp_path / "fleet.yaml"), str(tmp_path / "doomed.db"), away, str(tmp_path / "book.db")]
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["ingest.__main__", "tests.ingest.support"])
    process = context.Process(target=ended, args=([*files, f"{server.host}:{server.port}", "wall", GROUP],))
    process.start()
    yield process
    process.kill()
    process.join(30)


def ended(arguments):
    """In the process."""
    sys.exit(main(arguments))


def waiting(spool):
    """Samples in that spool."""
    return peek(spool).samples if spool.exists() else 0


@pytest.mark.broker
def test_a_killed_worker_is_retired_and_nothing_is_lost_or_doubled(server, publisher, doomed, run, home):  # noqa: F811
    """Its spool and its share at the broker reach the store; what is sent afterwards goes to the other worker."""
    lake, where = str(home / "lake"), f"{server.host}:{server.port}"
    until(lambda: " as skidhand-ingest-" in server.read_log() and worker_of(home / "doomed.db"))
    worker = worker_of(home / "doomed.db")
    other = service_of(server, home, open_store(lake), broker={"group": GROUP}, spool_path=home / "other.db")
    other.start(wait_connected_s=20)
    try:
        publisher.numbers(range(300))
        until(lambda: waiting(home / "doomed.db") + other.stats().samples == 600)
        doomed.kill()
        doomed.join(30)
        publisher.numbers(range(300, 500))
        until(lambda: other.wait_drained(10))
        before = stored_numbers(open_store(lake), SERIES)
        assert waiting(home / "doomed.db") > 50
        assert len(set(range(300, 500)) - set(before)) > 20, "the broker kept nothing for the killed worker"
        words = ("--store", lake, "--logbook", "book.db", "--broker", where)
        ran = run("ingest", "--drain", worker, "--spool", "doomed.db", *words)
        assert (ran.code, ran.err.splitlines()[-1].partition(":")[0]) == (0, f"Worker {worker} is retired"), ran.err
        assert stored_numbers(open_store(lake), SERIES) == [float(n) for n in range(500)]
        publisher.numbers(range(500, 600))
        until(lambda: len(stored_numbers(open_store(lake), SERIES)) == 600)
        again = run("ingest", "--drain", worker, "--spool", "other.db", *words)
        assert again.code == 0
        assert "the broker knew no session" in again.err
    finally:
        other.stop()
    rows = DeltaTable(f"{lake}/samples").to_pyarrow_table()
    identities = rows.group_by(["series", "time", "received"]).aggregate([([], "count_all")])
    assert len(identities) == len(rows), "a batch was written twice"
    with Logbook("book.db") as book:
        notes = {beat.instance: (beat.note, beat.depth) for beat in book.heartbeats.all()}
    assert notes[worker] == ("retired", 0)


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_lost_spool_leaves_what_the_broker_kept(server, publisher, run, home, monkeypatch, protocol):  # noqa: F811
    """With --lost the session alone is fetched and ended; without, the command says what there is."""
    monkeypatch.setenv("SKIDHAND_BROKER__PROTOCOL", protocol)
    lake, where = str(home / "lake"), f"{server.host}:{server.port}"
    service = service_of(server, home, open_store(lake), broker={"protocol": protocol})
    service.start(wait_connected_s=20)
    worker = service.worker
    service.stop()
    publisher.numbers(range(50))
    for file in home.glob("spool.db*"):
        file.unlink()
    (home / "fleet.yaml").write_text(FLEET_TEXT)
    words = ("--store", lake, "--logbook", "book.db", "--broker", where, "--spool", "spool.db", "--fleet", "fleet.yaml")
    refused = run("ingest", "--drain", worker, *words)
    assert (refused.code, "--lost" in refused.err) == (2, True)
    ran = run("ingest", "--drain", worker, "--lost", *words)
    assert ran.code == 0, ran.err
    assert "50 messages from its session, which is ended" in ran.err
    assert stored_numbers(open_store(lake), SERIES) == [float(n) for n in range(50)]
    publisher.numbers(range(50, 60))
    once_more = run("ingest", "--drain", worker, *words)
    assert "the broker knew no session" in once_more.err


@pytest.mark.broker
def test_a_worker_that_runs_is_not_retired(server, run, home):  # noqa: F811
    """Its spool is held; and no other word is taken for an id."""
    service = service_of(server, home, open_store("memory://"))
    service.start(wait_connected_s=20)
    try:
        words = ("--store", "lake", "--logbook", "book.db", "--broker", f"{server.host}:{server.port}")
        ran = run("ingest", "--drain", service.worker, "--spool", "spool.db", *words)
        assert (ran.code, "is held by another process" in ran.err) == (3, True)
    finally:
        service.stop()
    assert run("ingest", "--drain", "1", "--spool", "spool.db").code == 2
    assert run("ingest", "--lost").code == 2
