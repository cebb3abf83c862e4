"""Publishing to a real broker: everything arrives once it is flushed, and failures are ours."""

import json
import socket
import threading
import time
from datetime import UTC, datetime

import paho.mqtt.client as mqtt
import pytest

from simulator import generate, load_scenario
from simulator.payload import sites, wire_names
from simulator.publish import Publisher
from skidhand.clock import CLOCK_TOPIC
from skidhand.errors import BrokerError
from skidhand.model.quality import GOOD
from skidhand.model.samples import table

T0 = 1_772_366_400_000_000


def at_home(skid, time_us):
    """Every skid stands on one site."""
    return "pad"


def samples(count):
    """So many samples of one tag, a microsecond apart."""
    return table([("s1/PT-1", T0 + i, 1.0, GOOD, T0) for i in range(count)])


class Listener:
    """Collects what arrives on a topic filter."""

    def __init__(self, broker, topic):
        self.heard = []
        ready = threading.Event()
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda client, *_: client.subscribe(topic, qos=1)
        self._client.on_subscribe = lambda *_: ready.set()
        self._client.on_message = lambda _client, _data, message: self.heard.append(message)
        self._client.connect(broker.host, broker.port)
        self._client.loop_start()
        assert ready.wait(10)

    def wait(self, count):
        """The messages, once there are ``count`` of them."""
        deadline = time.monotonic() + 20
        while len(self.heard) < count and time.monotonic() < deadline:
            time.sleep(0.01)
        return self.heard

    def close(self):
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def listen(mosquitto):
    """Make listeners that are closed at the end."""
    made = []

    def make(topic):
        made.append(Listener(mosquitto, topic))
        return made[-1]

    yield make
    for listener in made:
        listener.close()


@pytest.mark.broker
def test_all_samples_arrive_with_quality_of_service_one(mosquitto, listen):
    """What was flushed is at the broker: every sample of simulated time, QoS 1, not retained, in order."""
    demo = load_scenario("demo")
    listener = listen("skidhand/+/+/samples")
    with Publisher(mosquitto.host, mosquitto.port, max_in_flight=20) as publisher:
        for chunk in generate(demo, hours=1, chunk_hours=0.5):
            publisher.publish(chunk.samples, sites(demo.fleet), wire_names(demo.fleet))
    heard = listener.wait(publisher.messages_sent)
    assert len(heard) == publisher.messages_sent
    assert {(m.qos, m.retain) for m in heard} == {(1, False)}
    found = [json.loads(m.payload) for m in heard]
    points = [p for payload in found for p in (payload if isinstance(payload, list) else [payload])]
    assert sum(len(p["values"]) for p in points) == publisher.samples_sent
    assert publisher.samples_sent > 10_000


@pytest.mark.broker
def test_the_clock_is_announced(mosquitto, listen):
    """The clock topic carries RFC 3339 in UTC, never retained."""
    listener = listen(CLOCK_TOPIC)
    with Publisher(mosquitto.host, mosquitto.port) as publisher:
        publisher.announce(datetime(2026, 3, 1, 12, 0, 0, 5, tzinfo=UTC))
    (message,) = listener.wait(1)
    assert json.loads(message.payload) == {"now": "2026-03-01T12:00:00.000005Z"}
    assert not message.retain


@pytest.mark.broker
def test_a_broker_that_comes_back_gets_the_rest(mosquitto_factory):
    """While the broker is away messages wait; once it is back they are acknowledged and flush returns."""
    broker = mosquitto_factory()
    with Publisher(broker.host, broker.port, points_per_message=1) as publisher:
        broker.stop()
        publisher.publish(samples(20), at_home)
        broker.start()
        publisher.flush()
    assert publisher.messages_sent == 20


@pytest.mark.broker
def test_a_broker_that_stays_away_is_reported(mosquitto_factory):
    """Unacknowledged messages end in a BrokerError that says how many, not in silence."""
    broker = mosquitto_factory()
    publisher = Publisher(broker.host, broker.port, timeout_s=0.5, max_in_flight=3, points_per_message=1)
    publisher.connect()
    broker.kill()
    with pytest.raises(BrokerError, match="has not acknowledged 3 messages"):
        publisher.publish(samples(5), at_home)
    publisher.close()


@pytest.mark.broker
def test_wrong_credentials_are_reported(mosquitto_factory, tmp_path):
    """A broker that knows no such user refuses, and the error says that it did."""
    (tmp_path / "nobody").touch(mode=0o600)
    broker = mosquitto_factory([f"password_file {tmp_path / 'nobody'}"])
    with pytest.raises(BrokerError, match="did not accept us: Not authorized"):
        Publisher(broker.host, broker.port, username="a", password="b").connect()


def test_nobody_there_is_a_broker_error():
    """A port on which nothing listens is reported with its address."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    with pytest.raises(BrokerError, match=f"127.0.0.1:{port}"):
        Publisher("127.0.0.1", port).connect()


def test_a_missing_certificate_is_a_broker_error(tmp_path):
    """TLS with a certificate file that is not there names the file."""
    with pytest.raises(BrokerError, match=r"gone\.pem"):
        Publisher("127.0.0.1", 1, ca_file=tmp_path / "gone.pem")
