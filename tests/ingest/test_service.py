"""Ingest with a real broker: acknowledged is on disk, refused is counted, away is waited for."""

import threading
from datetime import timedelta

import orjson
import psutil
import pytest

from ingest.broker import BrokerSettings
from ingest.inbox import Inbox, Message, message
from ingest.receiver import Receiver
from ingest.service import IngestService
from skidhand.clock import CLOCK_TOPIC, WallClock
from skidhand.errors import BrokerError, ClockMismatchError, IntegrityError, SettingsError, StoreError
from skidhand.fleet import parse_fleet
from skidhand.logbook import Logbook
from skidhand.stores import open_store
from skidhand.stores.memory import MemoryStore
from tests.ingest.broker_support import Publisher, lasting_lines, numbered, service_of
from tests.ingest.support import FLEET, FLEET_TEXT, NOON, TOPIC, stored_numbers
from tests.ingest.test_drain import until

SERIES = "tf-skid-1/PDT-301"


class AwayStore(MemoryStore):
    """A store that can be away."""

    away = False

    def write(self, batch):
        """As the memory store's, or StoreError."""
        if self.away:
            raise StoreError("the store is away")
        return super().write(batch)


@pytest.fixture
def server(mosquitto_factory):
    """A broker of one's own whose sessions survive a restart."""
    return mosquitto_factory(lasting_lines())


@pytest.fixture
def publisher(server):
    """A gateway on that broker."""
    client = Publisher(server)
    yield client
    client.close()


@pytest.fixture
def running(server, tmp_path):
    """Starts services and stops them at the end: ``running(store, **settings)``."""
    services = []

    def start(store, *, folder=tmp_path, **more):
        service = service_of(server, folder, store, **more)
        services.append(service)
        service.start(wait_connected_s=20)
        return service

    yield start
    for service in services:
        service.stop(timeout=5)


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_messages_reach_the_store(running, publisher, tmp_path, protocol):
    """Every message of either MQTT version is stored once, and figures and heartbeat tell of it."""
    store = open_store(str(tmp_path / "lake"))
    service = running(store, broker={"protocol": protocol}, beat_interval_s=0.1)
    publisher.numbers(range(300))
    assert service.wait_drained(30, messages=300)
    assert stored_numbers(store, SERIES) == [float(n) for n in range(300)]
    stats = service.stats()
    assert (stats.messages, stats.samples, stats.stored, stats.queued) == (300, 600, 600, 0)
    assert (stats.depth.rows, stats.lag_s, stats.refused, stats.trouble) == (0, 0.0, {}, {})
    with Logbook(str(tmp_path / "book.db")) as book:
        until(lambda: any(beat.figures["stored"] == 600 and beat.depth == 0 for beat in book.heartbeats.all()))
        (beat,) = book.heartbeats.all()
    assert (beat.service, beat.instance, beat.note) == ("ingest", service.worker, "")
    assert beat.figures["samples_per_s"] > 0
    assert abs(beat.last_seen["tf-skid-1"] - WallClock().now()) < timedelta(minutes=5)


@pytest.mark.broker
def test_refused_messages_are_acknowledged_and_counted(running, publisher, server, tmp_path):
    """Bad messages, a 10 MB one too, stop nothing, are not sent again, and stand in the refusal log."""
    store = MemoryStore()
    service = running(store)
    for raw in (b"\xff\xfe", b"{", b" " * 10_000_000, orjson.dumps({"time": 0, "values": {"PDT-301": 1}})):
        publisher.send(raw)
    publisher.send(numbered(1), "skidhand/nowhere/tf-skid-1/samples")
    publisher.number(7).wait_for_publish(30)
    assert service.wait_drained(30, messages=6)
    refused = {"bad-utf8": 1, "bad-json": 1, "too-large": 1, "time-out-of-range": 1, "unknown-site": 2}
    assert service.stats().refused == refused
    assert stored_numbers(store, SERIES) == [7.0]
    service.stop()
    again = running(store)
    publisher.number(8).wait_for_publish(30)
    assert again.wait_drained(30, messages=1)
    assert again.stats().messages == 1
    again.stop()
    assert again.stats().refused == refused  # also when it has stopped


@pytest.mark.broker
def test_the_session_outlives_the_worker(running, publisher):
    """What is sent while no ingest runs waits at the broker for the same spool."""
    store = MemoryStore()
    running(store).stop()
    publisher.numbers(range(50))
    service = running(store)
    assert service.wait_drained(30, messages=50)
    assert stored_numbers(store, SERIES) == [float(n) for n in range(50)]


@pytest.mark.broker
def test_a_broker_that_restarts_is_found_again(running, publisher, server):
    """Ingest says that the broker is away, comes back by itself, and goes on."""
    store = MemoryStore()
    service = running(store)
    publisher.numbers(range(20))
    server.stop()
    until(lambda: "broker" in service.stats().trouble)
    server.start()
    publisher.numbers(range(20, 40))
    until(lambda: stored_numbers(store, SERIES) == [float(n) for n in range(40)], 40)
    until(lambda: "broker" not in service.stats().trouble)


@pytest.mark.broker
def test_while_spool_and_store_take_nothing_memory_stays_bounded(running, publisher):
    """A full spool stops acknowledging: the broker holds back, ingest's queue stays short, nothing is lost.

    The queue may hold the receive maximum and one batch of as many in work: mosquitto 2.0.11 sends beyond
    a receive maximum (tried), so the queue's own limit must hold too.
    """
    store = AwayStore()
    store.away = True
    service = running(store, max_spool_bytes=20_000, broker={"receive_maximum": 50})
    memory = psutil.Process().memory_info().rss
    sent = 6_000
    publisher.numbers(range(sent))
    until(lambda: "is full" in service.stats().trouble.get("spool", ""))
    stats = service.stats()
    assert "away" in stats.trouble["store"]
    assert stats.depth.bytes <= 20_000
    assert stats.queued <= 100
    assert stats.messages + stats.queued < sent
    assert psutil.Process().memory_info().rss - memory < 100 * 2**20
    store.away = False
    assert service.wait_drained(60, messages=sent)
    assert stored_numbers(store, SERIES) == [float(n) for n in range(sent)]
    assert service.stats().trouble == {}


@pytest.mark.broker
def test_a_store_that_is_away_at_the_start_is_waited_for(running, publisher):
    """Samples wait in the spool over a restart, and reach the store when it is back."""
    store = AwayStore()
    store.away = True
    service = running(store)
    publisher.numbers(range(10))
    until(lambda: service.stats().depth.samples == 20)
    service.stop(timeout=1)
    store.away = False
    assert running(store).wait_drained(30)
    assert stored_numbers(store, SERIES) == [float(n) for n in range(10)]


@pytest.mark.broker
def test_the_stream_clock_stamps_and_is_passed_on(running, publisher, tmp_path):
    """Receive times are those announced, in the order of receipt; the logbook hears of a time after its samples."""
    store = MemoryStore()
    service = running(store, clock_kind="stream")
    later = NOON + timedelta(minutes=5)
    publisher.numbers([10])  # before any announcement the sample's own time stands
    publisher.send(orjson.dumps({"now": later.isoformat()}), CLOCK_TOPIC)
    publisher.send(b"no time", CLOCK_TOPIC)
    publisher.number(20).wait_for_publish(30)
    assert service.wait_drained(30, messages=4)
    rows = store.read([SERIES], NOON, NOON + timedelta(hours=1))
    assert rows["received"].to_pylist() == [NOON + timedelta(seconds=10), later]
    assert service.stats().refused == {"bad-time": 1}
    with Logbook(str(tmp_path / "book.db")) as book:
        assert book.clock.announced() == later
    service.stop()
    again = running(store, clock_kind="stream")  # the stream's time is remembered
    publisher.number(30).wait_for_publish(30)
    assert again.wait_drained(30, messages=1)
    assert store.read([SERIES], NOON, NOON + timedelta(hours=1))["received"].to_pylist()[-1] == later


@pytest.mark.broker
def test_workers_of_a_group_share_the_messages(running, publisher, tmp_path):
    """Two workers with a spool each: every message is stored once, and both have worked."""
    store = MemoryStore()
    pair = [running(store, folder=tmp_path / name, broker={"group": "pads"}) for name in ("a", "b")]
    publisher.numbers(range(400))
    until(lambda: sum(service.stats().messages for service in pair) == 400)
    assert all(service.wait_drained(30) for service in pair)
    assert stored_numbers(store, SERIES) == [float(n) for n in range(400)]
    assert sum(len(commit.rows) for commit in store._commits) == 800
    assert all(service.stats().messages > 0 for service in pair)


@pytest.mark.broker
def test_a_new_fleet_version_is_taken_while_running(running, publisher, tmp_path):
    """A tag that the next version brings is refused before and taken after; it is remembered with the spool."""
    store = MemoryStore()
    service = running(store, beat_interval_s=0.05)
    newer = parse_fleet(FLEET_TEXT.replace("PDT-301:", 'PDT-302: {unit: "[psi]"}\n      PDT-301:'))
    raw = orjson.dumps({"time": NOON.isoformat(), "values": {"PDT-302": 1.5}})
    publisher.send(raw).wait_for_publish(30)
    assert service.wait_drained(30, messages=1)
    assert service.stats().refused == {"unknown-tag": 1}
    with Logbook(str(tmp_path / "book.db")) as book:
        book.fleets.apply(newer, effective=NOON, who="test")
    until(lambda: service._fleet.lookup.digest == newer.digest)
    publisher.send(raw).wait_for_publish(30)
    assert service.wait_drained(30, messages=2)
    assert stored_numbers(store, "tf-skid-1/PDT-302") == [1.5]
    service.stop()
    assert running(store, fleet=None, logbook=away_logbook(tmp_path))._fleet.lookup.digest == newer.digest


@pytest.mark.broker
def test_a_logbook_that_is_away_stops_nothing(running, publisher, tmp_path):
    """Without fleet look-ups and heartbeats ingest goes on, and says so."""
    store = MemoryStore()
    service = running(store, logbook=away_logbook(tmp_path), beat_interval_s=0.05)
    publisher.numbers(range(5))
    assert service.wait_drained(30, messages=5)
    assert stored_numbers(store, SERIES) == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert "logbook" in service.stats().trouble["logbook"]


def test_no_broker_is_told_as_a_broker_error(tmp_path):
    """Asked to wait for a connection, start ends with the address and the reason."""

    class Nobody:
        host, port = "127.0.0.1", 1  # nothing listens on port 1

    service = service_of(Nobody, tmp_path, MemoryStore())
    with pytest.raises(BrokerError, match=r"broker 127\.0\.0\.1:1: cannot be reached"):
        service.start(wait_connected_s=1)
    service_of(Nobody, tmp_path, MemoryStore()).stop()  # the spool was let go of


def test_a_start_that_would_do_damage_is_refused(tmp_path):
    """No fleet, mixed clocks, a spool in use: each ends the start with its own error, and lets go of the spool."""

    class Nobody:
        host, port = "127.0.0.1", 1

    with pytest.raises(SettingsError, match="no fleet is known"):
        service_of(Nobody, tmp_path, MemoryStore(), fleet=None).start()
    store = MemoryStore()
    store.set_clock("wall")
    with pytest.raises(ClockMismatchError):
        service_of(Nobody, tmp_path, store, clock_kind="stream", logbook=str(tmp_path / "2.db")).start()
    with Logbook(str(tmp_path / "3.db")) as book:
        book.guard_clock("stream")
        with pytest.raises(ClockMismatchError):
            service_of(Nobody, tmp_path, MemoryStore(), logbook=book).start()
    first = service_of(Nobody, tmp_path, MemoryStore())
    with pytest.raises(IntegrityError, match="another process"):
        service_of(Nobody, tmp_path, MemoryStore())
    first.stop()


@pytest.mark.parametrize(
    ("wrong", "match"),
    [
        ({"protocol": "4"}, "valid: '5', '3.1.1'"),
        ({"group": "a", "protocol": "3.1.1"}, "needs MQTT 5"),
        ({"group": "a/b"}, "without '/'"),
        ({"receive_maximum": 0}, "1 to 65535"),
        ({"key_file": "key.pem"}, "give cert_file too"),
    ],
)
def test_settings_that_contradict_are_refused(wrong, match):
    """The message says what would be valid."""
    with pytest.raises(SettingsError, match=match):
        BrokerSettings(**wrong)


def test_a_replay_has_one_ingest(tmp_path):
    """Workers of a group would each see a part of the stream and none its order."""
    with pytest.raises(SettingsError, match="leave the group out"):
        IngestService(
            broker=BrokerSettings(group="a"), spool_path=tmp_path / "s.db", store=MemoryStore(),
            logbook=str(tmp_path / "b.db"), fleet=FLEET, clock_kind="stream",
        )  # fmt: skip


def test_tls_files_that_cannot_be_used_are_named(tmp_path):
    """A missing file ends the construction with its path, and lets go of the spool."""

    class Nobody:
        host, port = "127.0.0.1", 1

    for wrong in ({"ca_file": tmp_path / "ca.pem"}, {"cert_file": tmp_path / "cert.pem"}):
        with pytest.raises(SettingsError, match=r"certificates \(.*\.pem\)"):
            service_of(Nobody, tmp_path, MemoryStore(), broker=wrong)
    service_of(Nobody, tmp_path, MemoryStore()).stop()


def test_settings_never_show_the_password():
    """They may end in a log."""
    assert "secret" not in repr(BrokerSettings(username="u", password="secret"))


def test_acknowledgements_count_only_on_their_own_connection():
    """After a broken connection the same packet id may mean a message that we have not seen."""
    inbox, sent = Inbox(), []
    receiver = Receiver(
        settings=BrokerSettings(), client_id="x", inbox=inbox, shared_filters=(TOPIC,), on_crash=sent.append
    )
    receiver._client.ack = lambda mid, qos: sent.append((mid, qos))
    receiver._connection = 3
    old, new = (Message(TOPIC, b"", 0, 0, mid=mid, qos=1, connection=c) for mid, c in ((5, 2), (6, 3)))
    receiver.acknowledge([old, new])
    assert sent == [(6, 1)]
    receiver._on_disconnect(receiver._client, None, None, "lost", None)
    receiver.acknowledge([new])
    assert sent == [(6, 1)]


def test_the_inbox_holds_back_the_network():
    """Neither count nor bytes grow beyond their limits; a closed inbox lets everybody go."""
    inbox = Inbox(max_messages=3, max_bytes=1000)
    done = []

    def fill():
        for n in range(10):
            done.append(inbox.put(message(TOPIC, bytes(10), n)))

    thread = threading.Thread(target=fill)
    thread.start()
    until(lambda: len(inbox) == 3)
    assert [item.at_us for item in inbox.take(2, wait_s=1)] == [0, 1]
    inbox.done()
    until(lambda: len(done) == 5)
    assert len(inbox) == 3
    inbox.close()
    thread.join(10)
    assert done == [True] * 5 + [False] * 5
    heavy = Inbox(max_messages=100, max_bytes=1000)
    assert heavy.put(message(TOPIC, bytes(2_000_000), 0))  # cut: only an excerpt waits
    assert heavy.put(message(TOPIC, bytes(900), 0))
    assert heavy._bytes >= 1000
    assert not heavy._has_room()


def away_logbook(folder):
    """The URL of a logbook that cannot be opened: a folder stands where its file should be."""
    (folder / "folder").mkdir(exist_ok=True)
    return f"sqlite:///{folder / 'folder'}"


@pytest.mark.parametrize("kind", ["wall", "stream"])
def test_a_logbook_of_another_clock_is_not_called_away(tmp_path, kind, caplog, capfd):
    """The one error says which clock is kept; no line about a logbook that cannot be reached stands beside it."""
    with Logbook(str(tmp_path / "book.db")) as book:
        book.guard_clock("stream" if kind == "wall" else "wall")
    service = IngestService(
        broker=BrokerSettings(port=1),
        spool_path=tmp_path / "spool.db",
        store=MemoryStore(),
        logbook=str(tmp_path / "book.db"),
        fleet=FLEET,
        clock_kind=kind,
    )
    with pytest.raises(ClockMismatchError):
        service.start()
    said = capfd.readouterr()
    assert "away" not in said.out + said.err + caplog.text
