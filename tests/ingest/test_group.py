"""Two workers in one shared-subscription group (MQTT 5, section 4.8.2), one of them killed."""

import time

import pytest
from deltalake import DeltaTable

from skidhand.logbook import Logbook
from skidhand.stores import open_store
from tests.ingest.broker_support import lasting_lines
from tests.ingest.support import FLEET_TEXT, stored_numbers
from tests.ingest.test_kills import Sender, connections, kill, start, until_connected

SERIES = "tf-skid-1/PDT-301"


@pytest.fixture
def worker(mosquitto_factory, tmp_path):
    """Starts the worker of a name: a real process with a spool of its own, in the group with all others."""
    server = mosquitto_factory(lasting_lines())
    (tmp_path / "fleet.yaml").write_text(FLEET_TEXT)
    processes = []

    def begin(name):
        files = [str(tmp_path / file) for file in ("fleet.yaml", f"{name}.db", "lake", "book.db")]
        before = connections(server)
        processes.append(start([*files, f"{server.host}:{server.port}", "wall", "historian"]))
        until_connected(server, before + 1)
        return processes[-1]

    begin.server = server
    yield begin
    for process in processes:
        process.kill()
        process.join(30)


def wait_for(done, seconds=60.0):
    """Return once it is so; the store is asked five times a second."""
    deadline = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < deadline, "it did not happen in time"
        time.sleep(0.2)


def stored_by(folder):
    """What each worker has brought to the store in its present life, by its last heartbeat."""
    with Logbook(str(folder / "book.db")) as book:
        return {beat.instance: beat.figures["stored"] for beat in book.heartbeats.all()}


@pytest.mark.broker
@pytest.mark.slow
def test_two_workers_share_and_a_kill_loses_and_doubles_nothing(worker, tmp_path):
    """Both take a share; while one is dead the other goes on; when it is back, all that was sent is stored once.

    The dead one's share waits in its session at the broker, and what it had spooled waits in its spool.
    Of each (series, time) a reader sees one; no batch came twice, for it would carry the same receive times.
    """
    store = open_store(str(tmp_path / "lake"))
    one, other = worker("one"), worker("other")
    sender = Sender(worker.server)
    try:
        wait_for(lambda: len(stored_numbers(store, SERIES)) > 200)
        kill(one)
        at_kill = max(stored_numbers(store, SERIES))
        wait_for(lambda: max(stored_numbers(store, SERIES)) > at_kill + 300)
        waiting = set(range(int(at_kill) + 300)) - set(stored_numbers(store, SERIES))
        again = worker("one")
    finally:
        sent = sender.finish()
    wait_for(lambda: len(stored_numbers(store, SERIES)) >= sent)
    for process in (again, other):
        process.terminate()
        process.join(30)
        assert process.exitcode == 0
    assert len(waiting) > 50, "the killed worker had no share"
    shares = stored_by(tmp_path)
    assert set(shares) == {"one", "other"}
    assert min(shares.values()) > 2 * 50, shares
    for tag, modulus in (("PDT-301", 10**9), ("FT-201", 80)):
        assert stored_numbers(store, f"tf-skid-1/{tag}") == [float(n % modulus) for n in range(sent)]
    rows = DeltaTable(str(tmp_path / "lake" / "samples")).to_pyarrow_table()
    identities = rows.group_by(["series", "time", "received"]).aggregate([([], "count_all")])
    assert len(identities) == len(rows)
