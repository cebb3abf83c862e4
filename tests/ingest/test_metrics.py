"""Prometheus metrics: what they say is what happened, their labels are bounded, and nobody beyond the host asks."""

import socket
import urllib.request

import orjson
import pytest
from prometheus_client.parser import text_string_to_metric_families
from typer.testing import CliRunner

from ingest.metrics import MetricsServer, split_address
from ingest.service import IngestService
from skidhand.cli.main import app
from skidhand.errors import SettingsError
from skidhand.stores.memory import MemoryStore
from tests.ingest.broker_support import Publisher, numbered, service_of
from tests.ingest.support import FLEET_TEXT, NOON_US


def scrape(port):
    """(name, label's value) → value, by the client library's own parser."""
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=10) as answer:
        text = answer.read().decode()
    families = text_string_to_metric_families(text)
    return {(s.name, *s.labels.values()): s.value for family in families for s in family.samples}


@pytest.mark.broker
def test_metrics_tell_what_happened(mosquitto_factory, tmp_path):
    """Counts, reasons, doubts, depth, lag and last sight, over HTTP, before and after; unknown names make no label."""
    server = mosquitto_factory()
    service = service_of(server, tmp_path, MemoryStore())
    metrics = MetricsServer("0", service.stats)
    try:
        assert scrape(metrics.port)["skidhand_ingest_trouble", "broker"] == 1.0
        service.start(wait_connected_s=20)
        publisher = Publisher(server)
        publisher.numbers(range(20))
        publisher.send(orjson.dumps({"time": NOON_US // 1000, "values": {"FT-201": 99, "ZT-1": 1, "ZT-2": 1}}))
        publisher.send(numbered(1), "skidhand/sedge-2/nobody/samples").wait_for_publish(10)
        assert service.wait_drained(30, messages=22)
        seen = scrape(metrics.port)
        publisher.close()
    finally:
        service.stop()
        metrics.close()
    ours = {(name.removeprefix("skidhand_ingest_"), *labels): value for (name, *labels), value in seen.items()}
    assert (ours["messages_total",], ours["samples_total",], ours["stored_samples_total",]) == (22, 41, 41)
    assert {key[1]: value for key, value in ours.items() if key[0] == "refused_total"} == {
        "unknown-skid": 2,
        "unknown-tag": 2,
    }
    assert {key[1]: value for key, value in ours.items() if key[0] == "doubted_total"} == {"out-of-range": 1}
    assert {key[1] for key in ours if key[0] == "skid_last_seen_timestamp_seconds"} == {"tf-skid-1"}
    for empty in (
        "spool_samples",
        "spool_batches",
        "spool_bytes",
        "lag_seconds",
        "queued_messages",
        "set_aside_samples",
    ):
        assert ours[empty,] == 0.0, empty
    assert ours["oldest_unacknowledged_seconds",] == 0.0
    assert ours["samples_per_second",] > 0.0
    assert not any(value for key, value in ours.items() if key[0] == "trouble")


@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("9464", ("127.0.0.1", 9464)),
        ("0.0.0.0:9464", ("0.0.0.0", 9464)),
        ("[::1]:9464", ("::1", 9464)),
    ],
)
def test_a_port_alone_is_for_this_host(text, address):
    """Others must be let in by name."""
    assert split_address(text) == address


@pytest.mark.parametrize("text", ["", "host", "host:port", ":9464", "1:2:3", "70000"])
def test_what_is_no_address_is_told(text):
    """With what would be."""
    with pytest.raises(SettingsError, match="neither PORT nor HOST:PORT"):
        split_address(text)


def test_a_port_that_is_taken_is_told():
    """By the setting's name."""
    first = MetricsServer("0", lambda: None)
    try:
        with pytest.raises(SettingsError, match=f"cannot be served at 127.0.0.1:{first.port}"):
            MetricsServer(str(first.port), lambda: None)
    finally:
        first.close()


def test_the_command_serves_them_while_it_runs(tmp_path, monkeypatch):
    """``skidhand ingest --metrics PORT``: the page is there while it runs, and its port is free afterwards."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    pages = []

    def run_forever(service):
        pages.append(scrape(port))
        service.stop(timeout=1.0)

    monkeypatch.setattr(IngestService, "run_forever", run_forever)
    monkeypatch.setattr("skidhand.cli.services.on_stop", lambda _: None)
    monkeypatch.setattr("skidhand.log.set_up", lambda *_, **__: None)
    fleet = tmp_path / "fleet.yaml"
    fleet.write_text(FLEET_TEXT)
    places = {"spool": "spool.db", "store": "lake", "logbook": "book.db", "fleet": "fleet.yaml"}
    options = [part for name, file in places.items() for part in (f"--{name}", str(tmp_path / file))]
    ran = CliRunner().invoke(app, ["ingest", "--broker", "127.0.0.1:1", "--metrics", str(port), *options])
    assert ran.exit_code == 0, ran.output
    assert pages[0]["skidhand_ingest_messages_total",] == 0.0
    assert pages[0]["skidhand_ingest_trouble", "broker"] == 1.0  # nothing listens there
    with socket.create_server(("127.0.0.1", port)):
        pass
