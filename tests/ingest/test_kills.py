"""Real kills: ingest is ended by SIGKILL at random moments while a gateway goes on sending."""

import multiprocessing
import os
import random
import signal
import sys
import threading
import time

import pytest
from deltalake import DeltaTable

from ingest.__main__ import main
from skidhand.stores import open_store
from tests.ingest.broker_support import Publisher, lasting_lines
from tests.ingest.support import FLEET_TEXT, stored_numbers

KILLS = int(os.environ.get("SKIDHAND_KILLS", "16"))
SEED = int(os.environ.get("SKIDHAND_KILL_SEED", "1"))


@pytest.mark.broker
@pytest.mark.slow
def test_kills_lose_nothing_and_double_nothing(mosquitto_factory, tmp_path):
    """After many kills, most in full flow, every message that the broker took is in the store, each batch once.

    A message that was spooled but not yet acknowledged when the kill came is sent again and stored under
    the same key with its later receive time; a batch that the drain repeated would carry the same one.
    ``SKIDHAND_KILLS`` and ``SKIDHAND_KILL_SEED`` ask for more, or others.
    """
    server = mosquitto_factory(lasting_lines())
    (tmp_path / "fleet.yaml").write_text(FLEET_TEXT)
    arguments = [
        str(tmp_path / name) for name in ("fleet.yaml", "spool.db", "lake", "book.db")
    ] + [f"{server.host}:{server.port}"]  # fmt: skip
    # The broker must know the session before the first message, or it has nobody to keep it for.
    first = start(arguments)
    until_connected(server, 1)
    sender = Sender(server)
    kill(first)
    moments = random.Random(SEED)
    for life in range(1, KILLS):
        seen = connections(server)
        process = start(arguments)
        if life % 4:
            until_connected(server, seen + 1)
        time.sleep(moments.uniform(0.0, 0.6))
        kill(process)
    sent = sender.finish()
    process = start(arguments)
    store = open_store(str(tmp_path / "lake"))
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and len(stored_numbers(store, "tf-skid-1/PDT-301")) < sent:
        time.sleep(0.2)
    process.terminate()
    process.join(30)
    assert process.exitcode == 0
    assert sent > 10 * KILLS
    for tag, modulus in (("PDT-301", 10**9), ("FT-201", 80)):
        assert stored_numbers(store, f"tf-skid-1/{tag}") == [float(n % modulus) for n in range(sent)]
    rows = DeltaTable(str(tmp_path / "lake" / "samples")).to_pyarrow_table()
    identities = rows.group_by(["series", "time", "received"]).aggregate([([], "count_all")])
    assert len(identities) == len(rows)


class Sender:
    """Publishes numbered messages from a thread, about 300 a second, until :meth:`finish`."""

    def __init__(self, server) -> None:
        self._publisher = Publisher(server)
        self._enough = threading.Event()
        self._sent = 0
        self._thread = threading.Thread(target=self._send)
        self._thread.start()

    def _send(self) -> None:
        handle = None
        while not self._enough.wait(0.003):
            handle = self._publisher.number(self._sent)
            self._sent += 1
        if handle is not None:
            handle.wait_for_publish(30)

    def finish(self) -> int:
        """Stop, once the broker has confirmed all; how many were sent."""
        self._enough.set()
        self._thread.join(60)
        self._publisher.close()
        return self._sent


def start(arguments):
    """A new ingest process; forked from a server that has imported all and read a fleet, so that it lives at once."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["ingest.__main__", "tests.ingest.support"])
    process = context.Process(target=run, args=(arguments,))
    process.start()
    return process


def run(arguments):
    """In the process: its exit code is what ingest says."""
    sys.exit(main(arguments))


def kill(process) -> None:
    """End it as a power cut would; it must not have ended by itself."""
    process.kill()
    process.join(30)
    assert process.exitcode == -signal.SIGKILL


def connections(server) -> int:
    """How often an ingest has come, by the broker's log."""
    return server.read_log().count(" as skidhand-ingest-")


def until_connected(server, count: int) -> None:
    """Return once it has come ``count`` times, and its subscription has had time to follow."""
    deadline = time.monotonic() + 60
    while connections(server) < count:
        assert time.monotonic() < deadline, server.read_log()
        time.sleep(0.02)
    time.sleep(0.1)
