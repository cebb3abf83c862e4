"""The simulator's payloads: each brings the same samples to the store, and its gateways keep Sparkplug's rules."""

from datetime import UTC, datetime

import pytest

from ingest.formats.sparkplug import PLUGIN
from ingest.sparkplug.settings import SparkplugSettings
from simulator import generate, load_scenario
from simulator.payload import PAYLOADS, messages, sites, wire_names
from simulator.publish import Publisher
from simulator.sparkplug import Gateways
from skidhand.errors import SettingsError
from skidhand.fleet import load_fleet
from skidhand.model.quality import BAD, GOOD, SEVERITY_SHIFT, UNCERTAIN
from skidhand.model.samples import micros, table
from skidhand.sparkplug.wire import Kind, Topic, rebirth_command
from skidhand.stores.memory import MemoryStore
from tests.ingest.broker_support import service_of
from tests.ingest.test_drain import until
from tests.simulator.test_publish import Listener

DEMO = load_scenario("demo")
SKID = DEMO.fleet.skids[0].id
SITE = DEMO.fleet.skids[0].placements[0].site
CHUNKS = list(generate(DEMO, hours=0.1, skids=2, chunk_hours=0.05))
T0 = micros(DEMO.start)
NOON_US = 1_772_366_400_000_000
SITE_OF, NAMES = sites(DEMO.fleet), wire_names(DEMO.fleet)


@pytest.fixture(scope="module")
def broker(tmp_path_factory):
    """A broker of this module's own: what is retained must not meet other tests."""
    from tests.support import mosquitto
    from tests.support.needs import missing

    if mosquitto.program() is None:
        missing("mosquitto", "mosquitto")
    server = mosquitto.Mosquitto(tmp_path_factory.mktemp("payloads"))
    server.start()
    yield server
    server.stop()


def stored(broker, folder, sent_by):
    """What is in the store after the demo's minutes were sent: {(series, ms): (value, severity)}."""
    store = MemoryStore()
    service = service_of(broker, folder, store, fleet=load_fleet(DEMO.fleet_path), sparkplug=SparkplugSettings())
    service.start(wait_connected_s=20)
    try:
        with sent_by as publisher:
            for chunk in CHUNKS:
                publisher.publish(chunk.samples, SITE_OF, NAMES)
        assert service.wait_drained(30, messages=publisher.messages_sent)
    finally:
        service.stop()
    assert service.stats().refused == {}
    series = sorted({name for chunk in CHUNKS for name in chunk.samples["series"].to_pylist()})
    rows = store.read(series, DEMO.start, CHUNKS[-1].end).to_pylist()
    return {
        (row["series"], micros(row["time"]) // 1000): (row["value"], row["quality"] >> SEVERITY_SHIFT) for row in rows
    }


@pytest.mark.broker
def test_the_same_samples_by_every_payload(broker, tmp_path):
    """JSON is the reference: SenML and Sparkplug bring the same series, times, values and severities."""
    where = (broker.host, broker.port)
    ways = {
        "json": Publisher(*where),
        "senml": Publisher(*where, payload="senml"),
        "sparkplug": Gateways(DEMO.fleet, *where),
    }
    found = {}
    for name, sent_by in ways.items():
        (tmp_path / name).mkdir()
        found[name] = stored(broker, tmp_path / name, sent_by)
    sent = {
        (row["series"], micros(row["time"]) // 1000): (row["value"], row["quality"] >> SEVERITY_SHIFT)
        for chunk in CHUNKS
        for row in chunk.samples.to_pylist()
    }
    assert {key: value for key, (value, _) in found["json"].items()} == {k: value for k, (value, _) in sent.items()}
    assert len(sent) > 1_000
    assert found["senml"] == found["json"]
    assert found["sparkplug"] == found["json"]


def heard(listener, count):
    """(topic, packet) of the first ``count`` messages."""
    return [(m.topic, PLUGIN.decode(m.topic, m.payload).packet) for m in listener.wait(count)[:count]]


@pytest.mark.broker
def test_a_gateways_life(broker):
    """Node birth, device birth with every metric, data by alias, rebirth when asked, death: in one sequence.

    [message-flow-edge-node-birth-publish-connect, payloads-dbirth-order, payloads-alias-data-cmd-requirement,
    payloads-sequence-num-incrementing, operational-behavior-data-commands-rebirth-action-1 to -3]
    """
    listener = Listener(broker, f"spBv1.0/{SITE}/#")
    samples = table([(f"{SKID}/{tag}", T0, 1.5, GOOD, T0) for tag in list(DEMO.fleet.skids[0].instruments)[:2]])
    with Gateways(DEMO.fleet, broker.host, broker.port) as gateways:
        gateways.publish(samples, SITE_OF, NAMES)
        before = heard(listener, 3)
        command = str(Topic(SITE, Kind.NCMD, "gateway"))
        listener._client.publish(command, rebirth_command()).wait_for_publish(10)
        after = heard(listener, 6)[3:]
    death = heard(listener, 7)[6][1]
    listener.close()
    assert [packet.topic.kind for _, packet in before] == [Kind.NBIRTH, Kind.DBIRTH, Kind.DDATA]
    assert [packet.seq for _, packet in before] == [0, 1, 2]
    birth, data = before[1][1], before[2][1]
    assert [m.name for m in birth.metrics] == [i.alias or t for t, i in DEMO.fleet.skids[0].instruments.items()]
    assert len({m.alias for m in birth.metrics}) == len(birth.metrics)
    assert [(m.name, m.alias, m.raw) for m in data.metrics] == [(None, m.alias, 1.5) for m in birth.metrics[:2]]
    assert [m.is_null for m in birth.metrics] == [False] * 2 + [True] * (len(birth.metrics) - 2)
    kinds = [(topic.split("/")[2], packet.seq) for topic, packet in after if topic != command]
    assert kinds == [("NBIRTH", 0), ("DBIRTH", 1)]
    assert after[2][1].metrics[0].raw == 1.5  # the last value
    assert (death.topic.kind, death.bdseq) == (Kind.NDEATH, before[0][1].bdseq)


@pytest.mark.broker
def test_a_shared_tank_is_a_device_of_its_sites_gateway(mosquitto_factory, tmp_path):
    """It is born under the site's own id, and its readings come into the store."""
    broker = mosquitto_factory()  # of its own: what other tests left in a session is of a site unknown here
    story = load_scenario("shared-tank")
    chunks = [c for c in generate(story, hours=0.05) if c.skid == "sedge-2"]
    listener = Listener(broker, "spBv1.0/sedge-2/DBIRTH/#")
    store = MemoryStore()
    service = service_of(broker, tmp_path, store, fleet=load_fleet(story.fleet_path), sparkplug=SparkplugSettings())
    service.start(wait_connected_s=20)
    try:
        with Gateways(story.fleet, broker.host, broker.port) as gateways:
            for chunk in chunks:
                gateways.publish(chunk.samples, sites(story.fleet), wire_names(story.fleet))
        assert service.wait_drained(30, messages=gateways.messages_sent)
    finally:
        service.stop()
    assert service.stats().refused == {}
    assert listener.wait(1)[0].topic == "spBv1.0/sedge-2/DBIRTH/gateway/sedge-2"
    rows = store.read(["sedge-2/FT-801", "sedge-2/LT-800"], story.start, chunks[-1].end).num_rows
    assert rows == sum(chunk.samples.num_rows for chunk in chunks) > 0


@pytest.mark.broker
def test_a_new_connection_is_a_new_session(mosquitto_factory):
    """[payloads-nbirth-bdseq-inc] After a broken connection the births come again, their number one higher."""
    broker = mosquitto_factory()
    with Gateways(DEMO.fleet, broker.host, broker.port) as gateways:
        gateway = gateways._gateway(SITE)
        broker.stop()
        until(lambda: not gateway.client.is_connected())
        broker.start()
        gateway.wait_connected()
        listener = Listener(broker, f"spBv1.0/{SITE}/NBIRTH/#")
        listener._client.publish(str(Topic(SITE, Kind.NCMD, "gateway")), rebirth_command()).wait_for_publish(10)
        packets = [packet for _, packet in heard(listener, 1)]
        listener.close()
    assert [(p.topic.kind, p.bdseq) for p in packets] == [(Kind.NBIRTH, 1)]


def test_sparkplug_has_no_stream_clock():
    """Announcing a stream's time is refused with the reason."""
    with pytest.raises(SettingsError, match="stream clock"):
        Gateways(DEMO.fleet, "127.0.0.1", 1).announce(datetime(2026, 3, 1, tzinfo=UTC))


def test_senml_sends_no_bad_value_as_good():
    """SenML has no quality: what is Bad goes as no reading, and base time and later times are those of RFC 8428."""
    rows = [
        ("s1/A", NOON_US, 1.0, GOOD, NOON_US),
        ("s1/B", NOON_US, 2.0, BAD, NOON_US),
        ("s1/C", NOON_US, 3.0, UNCERTAIN, NOON_US),
        ("s1/A", NOON_US + 1_500_000, None, BAD, NOON_US),
    ]
    (sent,) = messages(table(rows), lambda *_: "pad", payload=PAYLOADS["senml"])
    assert sent.topic == "skidhand/pad/s1/senml"
    assert sent.payload == (
        b'[{"bt":1772366400,"n":"A","v":1.0},{"n":"B","v":null},{"n":"C","v":3.0},{"n":"A","t":1.5,"v":null}]'
    )


def test_a_payload_that_is_none_is_told():
    """The valid ones are named."""
    with pytest.raises(ValueError, match="json, senml"):
        Publisher("127.0.0.1", 1, payload="csv")
