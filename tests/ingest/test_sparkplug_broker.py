"""Sparkplug over a real broker: births asked for, STATE told, leases kept, and nothing else ever published."""

import ast
import json
import multiprocessing
import threading
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from ingest.broker import BrokerSettings
from ingest.inbox import Inbox
from ingest.peek import peek
from ingest.sparkplug.births import BAD_NO_COMMUNICATION
from ingest.sparkplug.host import SparkplugHost
from ingest.sparkplug.settings import SparkplugSettings
from skidhand.errors import LogbookError, SettingsError
from skidhand.logbook import Logbook
from skidhand.sparkplug.wire import rebirth_command
from skidhand.stores import open_store
from skidhand.stores.memory import MemoryStore
from tests.ingest.broker_support import lasting_lines, service_of
from tests.ingest.sparkplug_support import DEVICE, NOON_MS, data, device_birth, double, node_birth, node_death, payload
from tests.ingest.support import LOOKUP, stored_numbers
from tests.ingest.test_drain import until

ROOT = Path(__file__).parents[2]
STATE = "spBv1.0/STATE/here"
COMMAND = "spBv1.0/sedge-2/NCMD/gw-1"
QUICK = {"host_id": "here", "reorder_s": 0.2, "rebirth_pause_s": 0.2}


class Wire:
    """A client that publishes as a gateway does, and hears everything that anybody publishes."""

    def __init__(self, server) -> None:
        self.heard: list[tuple[str, bytes, int, bool]] = []
        self._ready = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda client, *_: client.subscribe("#", 2)
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_message = lambda _c, _d, m: self.heard.append((m.topic, m.payload, m.qos, m.retain))
        self._client.connect(server.host, server.port)
        self._client.loop_start()
        assert self._ready.wait(10)
        self.sent: list[str] = []

    def send(self, *messages: tuple[str, bytes], qos: int = 0) -> None:
        """Publish as the specification asks: births and data with QoS 0."""
        for topic, raw in messages:
            self.sent.append(topic)
            self._client.publish(topic, raw, qos=qos).wait_for_publish(10)

    def others(self) -> list[tuple[str, bytes, int, bool]]:
        """What others have published."""
        return [message for message in self.heard if message[0] not in self.sent]

    def states(self) -> list[bool]:
        """What was said on our STATE topic, in order."""
        return [json.loads(raw)["online"] for topic, raw, _, _ in self.heard if topic == STATE]

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def server(mosquitto_factory):
    """A broker of one's own: STATE is retained."""
    return mosquitto_factory(lasting_lines())


@pytest.fixture
def wire(server):
    """The gateway's and the listener's connection."""
    client = Wire(server)
    yield client
    client.close()


@pytest.fixture
def running(server, tmp_path):
    """Starts services that are Sparkplug hosts: ``running(store, **sparkplug settings)``."""
    services = []

    def start(store, *, folder=tmp_path, broker=None, logbook=None, **settings):
        more = {"logbook": logbook} if logbook is not None else {}
        sparkplug = SparkplugSettings(**{**QUICK, **settings})
        service = service_of(server, folder, store, broker=broker, sparkplug=sparkplug, beat_interval_s=0.1, **more)
        services.append(service)
        service.start(wait_connected_s=20)
        return service

    yield start
    for service in services:
        service.stop(timeout=5)


@pytest.mark.broker
def test_from_birth_to_death(running, wire):
    """What a gateway says between birth and death is stored, and its death too; all is said back in one STATE."""
    store = MemoryStore()
    service = running(store)
    wire.send(node_birth(0), device_birth(1), *(data(i + 1, float(i)) for i in range(1, 40)))
    wire.send(node_death(0), qos=1)
    until(lambda: None in stored_numbers(store))
    assert stored_numbers(store)[:-1] == [float(i) for i in range(40)]
    (last,) = store.latest(["tf-skid-1/FT-201"])["quality"].to_pylist()
    assert last == BAD_NO_COMMUNICATION
    service.stop()
    until(lambda: wire.states()[-1:] == [False])
    assert wire.states() == [True, False]
    assert {(qos, retain) for topic, _, qos, retain in wire.heard if topic == STATE} == {(1, False)}
    assert [topic for topic, *_ in wire.others()] == [STATE, STATE]


def host(port, folder):
    """In a process of its own: ingest as a Sparkplug host."""
    server = type("Server", (), {"host": "127.0.0.1", "port": port})
    store = open_store(str(folder / "lake"))
    service = service_of(server, folder, store, sparkplug=SparkplugSettings(**{**QUICK, "reorder_s": 30.0}))
    service.start(wait_connected_s=20)
    service.run_forever()


@pytest.fixture
def process(server, tmp_path):
    """Starts that process; all are killed at the end."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["ingest.__main__", "tests.ingest.support"])
    made = []

    def begin():
        made.append(context.Process(target=host, args=(server.port, tmp_path)))
        made[-1].start()
        return made[-1]

    yield begin
    for each in made:
        each.kill()
        each.join(30)


@pytest.mark.broker
@pytest.mark.slow
def test_a_killed_ingest_asks_for_the_births(process, wire, tmp_path):
    """Aliases die with the process: the broker speaks its will; the next life asks for a rebirth and goes on.

    What the broker kept meanwhile (QoS 1) is stored too: what has names at once, the rest once births explain it.
    """
    first = process()
    until(lambda: wire.states() == [True], 60)
    store = open_store(str(tmp_path / "lake"))
    wire.send(node_birth(0), device_birth(1), data(2, 2.0))
    until(lambda: 2.0 in stored_numbers(store))
    first.kill()
    first.join(30)
    until(lambda: wire.states() == [True, False])
    assert COMMAND not in [topic for topic, *_ in wire.heard]
    wire.send((DEVICE.format("DDATA"), payload(3, double("FT-201", 3.0, NOON_MS + 3000))), data(4, 4.0), qos=1)
    process()
    until(lambda: COMMAND in [topic for topic, *_ in wire.heard], 60)
    wire.send(node_birth(0), device_birth(1), data(2, 5.0))
    until(lambda: 5.0 in stored_numbers(store))
    assert [number for number in stored_numbers(store) if number] == [2.0, 3.0, 4.0, 5.0]
    assert peek(tmp_path / "spool.db").refused == {}
    commands = [message[1:] for message in wire.heard if message[0] == COMMAND]
    assert commands[0] == (rebirth_command(), 0, False)
    assert {topic for topic, *_ in wire.others()} == {STATE, COMMAND}
    assert wire.states() == [True, False, True]


@pytest.mark.broker
def test_with_both_switched_off_nothing_is_published(running, wire):
    """No STATE, no will, no command, whatever is missing."""
    service = running(MemoryStore(), state=False, rebirth=False)
    wire.send(data(7, 7.0), data(9, 9.0), data(20, 20.0))
    assert service.wait_drained(20, messages=3)
    service.stop()
    assert service.stats().refused == {"unknown-alias": 3}
    assert wire.others() == []


@pytest.mark.broker
def test_who_says_that_we_are_gone_is_contradicted(running, wire):
    """[host-topic-phid-birth-payload] Not so a will from before our birth, which every gateway knows by its time."""
    running(MemoryStore())
    until(lambda: wire.states() == [True])
    wire.send((STATE, b'{"online": false, "timestamp": 1}'), (STATE, b'{"online": false, "timestamp": 4102444800000}'))
    until(lambda: wire.states() == [True, False, False, True])
    wire.send((STATE, b"OFFLINE"))
    until(lambda: [raw for topic, raw, *_ in wire.heard if topic == STATE][-2] == b"OFFLINE")
    assert [raw for topic, raw, *_ in wire.heard if topic == STATE][-1].startswith(b'{"online":true')


@pytest.mark.broker
def test_one_worker_of_a_group_is_the_host(running, wire, tmp_path):
    """Of two workers one holds the lease and hears Sparkplug; when it stops, the other does. Nothing comes twice."""
    store = MemoryStore()
    book = str(tmp_path / "book.db")
    folders = [tmp_path / name for name in ("one", "two")]
    for folder in folders:
        folder.mkdir()
    more = {"broker": {"group": "g"}, "logbook": book, "reorder_s": 30.0}
    one, two = (running(store, folder=folder, **more) for folder in folders)
    wire.send(node_birth(0), device_birth(1), data(2, 2.0))
    until(lambda: 2.0 in stored_numbers(store))
    assert (one.stats().samples, two.stats().messages) == (4, 0)
    one.stop()
    until(lambda: wire.states() == [True, False, True])
    wire.send(data(3, 3.0))
    until(lambda: COMMAND in [topic for topic, *_ in wire.heard])
    wire.send(node_birth(0), device_birth(1), data(2, 4.0))
    until(lambda: 4.0 in stored_numbers(store))
    assert stored_numbers(store) == [0.0, 2.0, 3.0, 4.0]
    assert two.stats().samples == 3 + 2


@pytest.mark.parametrize(("group", "becomes"), [(None, True), ("g", False)], ids=["alone", "in-a-group"])
def test_while_the_logbook_is_away(group, becomes):
    """A worker without fellows becomes the host, one with fellows waits; one that is the host stays it."""

    def away():
        raise LogbookError("away")

    settings = BrokerSettings(port=1, group=group)
    parts = {"inbox": Inbox(), "lookup": lambda: LOOKUP, "decode": None, "owner": "me", "on_crash": print}
    alone = SparkplugHost(SparkplugSettings(), broker=settings, logbook=away, **parts)
    alone.keep()
    assert (alone.trouble != "") is becomes
    alone.stop()
    with Logbook("sqlite://") as book:
        there = [book]
        held = SparkplugHost(SparkplugSettings(), broker=settings, logbook=lambda: there[0] or away(), **parts)
        held.keep()
        there[0] = None
        held.keep()
        assert held.trouble != ""
        held.stop()


def test_a_lease_that_was_given_back_is_not_taken_again():
    """Housekeeping may still run while the host stops: another worker must find the lease free."""
    with Logbook("sqlite://") as book:
        settings = BrokerSettings(port=1)
        parts = {"inbox": Inbox(), "lookup": lambda: LOOKUP, "decode": None, "owner": "me", "on_crash": print}
        host = SparkplugHost(SparkplugSettings(groups=("b", "a")), broker=settings, logbook=lambda: book, **parts)
        host.keep()
        assert not book.leases.take("sparkplug:a", "other")
        host.stop()
        host.keep()
        assert all(book.leases.take(f"sparkplug:{group}", "other") for group in "ab")
        waiting = SparkplugHost(
            SparkplugSettings(groups=("c", "aa", "b")), broker=settings, logbook=lambda: book, **parts
        )
        waiting.keep()
        assert waiting.trouble == ""
        assert all(book.leases.take(f"sparkplug:{group}", "third") for group in ("aa", "c"))  # b is another's: none


def test_settings_that_contradict_each_other():
    """A stream clock with Sparkplug, names that are no topic level, a negative wait: told when ingest starts."""
    for wrong in ({"host_id": "a/b"}, {"groups": ("+",)}, {"reorder_s": -1.0}):
        with pytest.raises(SettingsError, match="sparkplug"):
            SparkplugSettings(**wrong)


def calls_that_publish(root: Path) -> set[str]:
    """Files below ``root`` that call something named publish or will_set, or name another way of paho to publish."""
    found = set()
    for path in sorted(root.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            name = node.attr if isinstance(node, ast.Attribute) else node.id if isinstance(node, ast.Name) else ""
            if name in PUBLISHING or (isinstance(node, ast.ImportFrom) and node.module == "paho.mqtt.publish"):
                found.add(path.relative_to(root).as_posix())
    return found


PUBLISHING = {"publish", "will_set", "_send_publish", "_packet_queue", "_send_simple_command"}


def test_one_file_of_ingest_can_publish(tmp_path):
    """Only sparkplug/outgoing.py names a way to publish; a planted one is found wherever it stands."""
    assert calls_that_publish(ROOT / "ingest") == {"sparkplug/outgoing.py"}
    (tmp_path / "x.py").write_text("f = client.publish\n")
    (tmp_path / "y.py").write_text("from paho.mqtt.publish import single\n")
    assert calls_that_publish(tmp_path) == {"x.py", "y.py"}


def test_that_file_publishes_state_and_rebirth_alone():
    """Its topics: a host's STATE and an edge node's NCMD; its command: the rebirth. It makes no other payload."""
    tree = ast.parse((ROOT / "ingest" / "sparkplug" / "outgoing.py").read_text(encoding="utf-8"))
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)]
    spoken = {tuple(map(ast.unparse, call.args)) for call in calls if call.func.attr in PUBLISHING}
    assert spoken == {
        ("self._topic", "self._state(online=False)"),
        ("self._topic", "self._state(online=True)"),
        ("topic", "rebirth_command()"),
    }
    topics = {
        ast.unparse(n.value)
        for n in ast.walk(tree)
        if isinstance(n, ast.Assign) and "topic" in ast.unparse(n.targets[0])
    }
    assert topics == {"state_topic(settings.host_id)", "str(Topic(group, Kind.NCMD, edge))"}
