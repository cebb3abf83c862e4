"""The secure broker of docs/broker, as it is written there: who gets through, who does not, and what is said."""

import gc
import re
import shutil
import ssl
import subprocess
import threading
from pathlib import Path

import orjson
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from ingest.broker import BrokerSettings
from ingest.service import IngestService
from skidhand.errors import BrokerError
from skidhand.stores.memory import MemoryStore
from tests.ingest.support import FLEET, NOON_US, stored_numbers
from tests.ingest.test_drain import until
from tests.support import mosquitto as broker
from tests.support.mosquitto import HOST, Mosquitto
from tests.support.needs import missing

# paho leaves the socket of a handshake that failed to the garbage collector; not ours to mend.
LEFT_SOCKET = "ignore:Exception ignored in. <ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning"
pytestmark = [pytest.mark.broker, pytest.mark.filterwarnings(LEFT_SOCKET)]

DOCS = Path(__file__).parents[2] / "docs" / "broker"
PASSWORDS = {"ingest": "heron", "tf-skid-1": "sedge", "sedge-2": "reed"}
SKID, SITE = "skidhand/sedge-2/tf-skid-1/samples", "skidhand/sedge-2/sedge-2/samples"


class SecureMosquitto(Mosquitto):
    """A broker with docs/broker/secure.conf, its files in ``certificates``, its port free."""

    def __init__(self, folder, certificates, *, client_certificates=False):
        super().__init__(folder)
        self.certificates, self._client_certificates = certificates, client_certificates

    def _config(self):
        text = (DOCS / "secure.conf").read_text(encoding="utf-8")
        if self._client_certificates:  # as its comment says
            text = re.sub("^#(require_certificate|use_identity)", r"\1", text, flags=re.MULTILINE)
            text = re.sub("^password_file .*$", "", text, flags=re.MULTILINE)
        for shipped, ours in (
            ("listener 8883", f"listener {self.port} {HOST}"),
            ("/etc/mosquitto/certs/", f"{self.certificates}/"),
            ("/etc/mosquitto/passwd", f"{self.certificates}/passwd"),
            ("/etc/mosquitto/acl.conf", str(DOCS / "acl.conf")),
            ("/var/lib/mosquitto/", f"{self.folder}/"),
        ):
            assert shipped in text or self._client_certificates, shipped
            text = text.replace(shipped, ours)
        return ["user root", *text.splitlines()]

    def _wait_until_ready(self):
        until(self._shakes_hands)

    def _shakes_hands(self):
        assert self._process.poll() is None, self.read_log()
        try:
            ssl.get_server_certificate((HOST, self.port), timeout=5)
        except OSError:
            return False
        return True


@pytest.fixture(scope="module")
def certificates(tmp_path_factory):
    """A folder in which the page's openssl commands were run, as they stand but for the broker's name."""
    for program, package in (("openssl", "openssl"), ("mosquitto_passwd", "mosquitto")):
        if shutil.which(program) is None:
            missing(program, package)
    if broker.program() is None:
        missing("mosquitto", "mosquitto")
    folder = tmp_path_factory.mktemp("certificates")
    commands = re.findall(r"```sh\n(.*?)```", (DOCS / "security.md").read_text(encoding="utf-8"), re.DOTALL)
    script = "set -eu\n" + "".join(commands).replace("DNS:broker.example", f"IP:{HOST}")
    done = subprocess.run(["sh", "-c", script], cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count(": OK") == 3
    for name, password in PASSWORDS.items():
        new = [] if (folder / "passwd").exists() else ["-c"]
        subprocess.run(["mosquitto_passwd", *new, "-b", folder / "passwd", name, password], check=True)
    return folder


@pytest.fixture(scope="module")
def server(certificates, tmp_path_factory):
    """The broker with passwords."""
    running = SecureMosquitto(tmp_path_factory.mktemp("secure"), certificates)
    running.start()
    yield running
    running.stop()


@pytest.fixture
def ingest(tmp_path):
    """Starts ingest with settings for a broker; stops it at the end."""
    services = []

    def begin(server, store=None, *, wait=20.0, **settings):
        service = IngestService(
            broker=BrokerSettings(**{"host": server.host, "port": server.port} | settings),
            spool_path=tmp_path / "spool.db",
            store=store or MemoryStore(),
            logbook=str(tmp_path / "book.db"),
            fleet=FLEET,
            drain_interval_s=0.05,
        )
        services.append(service)
        service.start(wait_connected_s=wait)
        return service

    yield begin
    for service in services:
        service.stop(timeout=5)
    gc.collect()  # here, where LEFT_SOCKET holds


class Skid:
    """A gateway that speaks as ``name``; publishing waits for the broker's word."""

    def __init__(self, server, name, *, protocol=MQTTProtocolVersion.MQTTv5, certificate=False):
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=protocol)
        files = server.certificates
        pair = (files / f"{name}.crt", files / f"{name}.key") if certificate else (None, None)
        self._client.tls_set(files / "ca.crt", *pair)
        if not certificate:
            self._client.username_pw_set(name, PASSWORDS[name])
        self._answers, self.heard, self._listens = {}, [], threading.Event()
        self._client.on_publish = self._on_publish
        self._client.on_message = lambda _c, _d, message: self.heard.append(message.topic)
        self._client.on_subscribe = lambda *_: self._listens.set()
        up = threading.Event()
        self._client.on_connect = lambda *_: up.set()
        self._client.connect(server.host, server.port)
        self._client.loop_start()
        assert up.wait(10), "no CONNACK"

    def _on_publish(self, _client, _data, mid, reason, _properties):
        self._answers[mid] = str(reason)

    def say(self, topic, **values):
        """Publish values at noon; what the broker answered."""
        return self.send(topic, {"time": NOON_US // 1000, "values": values})

    def send(self, topic, document):
        """Publish; what the broker answered."""
        message = self._client.publish(topic, orjson.dumps(document), qos=1)
        until(lambda: message.mid in self._answers)
        return self._answers[message.mid]

    def listen(self, topic):
        """Ask for messages."""
        self._client.subscribe(topic)
        assert self._listens.wait(10), "no SUBACK"

    def close(self):
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def skid():
    """Connects skids, and lets them go at the end."""
    skids = []

    def begin(*args, **more):
        skids.append(Skid(*args, **more))
        return skids[-1]

    yield begin
    for each in skids:
        each.close()


def of_ingest(server):
    """How ingest itself may come in: by its name and password."""
    return {"tls": True, "ca_file": server.certificates / "ca.crt", "username": "ingest", "password": "heron"}


@pytest.mark.parametrize("protocol", [MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311])
def test_a_skid_writes_its_own_samples_and_nobody_elses(server, ingest, skid, protocol):
    """With the right password its own samples are stored; what it sends as another never reaches ingest.

    The forbidden messages go first on the same connection, so they would have come before the allowed one.
    An MQTT 5 client is told; MQTT 3.1.1 has no way to say so.
    """
    store = MemoryStore()
    service = ingest(server, store, **of_ingest(server))
    tanks, own = skid(server, "sedge-2", protocol=protocol), skid(server, "tf-skid-1", protocol=protocol)
    told = "Not authorized" if protocol is MQTTProtocolVersion.MQTTv5 else "Success"
    for forbidden in (SKID, SKID.replace("samples", "senml"), "skidhand/clock", "skidhand/sedge-2/ingest/samples/x"):
        assert tanks.say(forbidden, **{"FT-201": 66}) == told
    assert tanks.say(SITE, **{"LT-900": 9}) == "Success"
    assert own.say(SKID, **{"FT-201": 40}) == "Success"
    pack = [{"bt": NOON_US // 1_000_000, "n": "FT-201", "t": 1, "u": "m3/s", "v": 3.785412e-3}]
    assert own.send(SKID.replace("samples", "senml"), pack) == "Success"
    assert service.wait_drained(20, messages=3)
    assert stored_numbers(store, "sedge-2/LT-900") == [9.0]
    assert stored_numbers(store) == [40.0, pytest.approx(60.0, rel=1e-6)]
    stats = service.stats()
    assert (stats.messages, stats.refused, stats.trouble) == (3, {}, {})


def test_a_skid_reads_nothing(server, skid):
    """mosquitto grants the subscription and delivers nothing: what the tanks sent would have come before the answer."""
    curious, tanks = skid(server, "tf-skid-1"), skid(server, "sedge-2")
    curious.listen("skidhand/#")
    assert tanks.say(SITE, **{"LT-900": 9}) == "Success"
    assert curious.say(SKID, **{"FT-201": 40}) == "Success"
    assert curious.heard == []


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"username": None, "password": None}, "connection refused: Not authorized"),
        ({"password": "wrong"}, "connection refused: Not authorized"),
        ({"username": "nobody"}, "connection refused: Not authorized"),
        ({"ca_file": None}, "cannot be reached: .*certificate verify failed"),
        ({"host": "localhost"}, "cannot be reached: .*certificate verify failed.*[Hh]ostname"),
        ({"tls": False, "ca_file": None}, "connection lost"),
    ],
)
def test_who_may_not_come_in_is_told_why(server, ingest, change, said):
    """Anonymous, wrong password, unknown name, another authority, another host name, no TLS."""
    service = ingest(server, wait=None, **of_ingest(server) | change)
    until(lambda: re.search(said, service.stats().trouble.get("broker", "")))


def test_it_keeps_what_the_plain_configuration_keeps():
    """All that mosquitto.conf says of keeping, queues and log stands in secure.conf too."""
    secure = (DOCS / "secure.conf").read_text(encoding="utf-8").splitlines()
    assert set(broker.shipped_lines()) <= set(secure)


def test_a_start_that_waits_fails_with_the_reason(server, ingest):
    """The error names the broker and says why."""
    with pytest.raises(BrokerError, match=rf"broker {HOST}:{server.port}: connection refused: Not authorized"):
        ingest(server, wait=1.0, **of_ingest(server) | {"password": "wrong"})


def test_certificates_in_place_of_passwords(certificates, tmp_path, ingest, skid):
    """With the two lines of secure.conf turned on, the certificate's common name is the client's name."""
    server = SecureMosquitto(tmp_path / "broker", certificates, client_certificates=True)
    server.start()
    try:
        store = MemoryStore()
        ca, pair = certificates / "ca.crt", {"cert_file": "ingest.crt", "key_file": "ingest.key"}
        files = {name: certificates / file for name, file in pair.items()}
        service = ingest(server, store, ca_file=ca, **files)
        client = skid(server, "tf-skid-1", certificate=True)
        assert client.say(SITE, **{"LT-900": 9}) == "Not authorized"
        assert client.say(SKID, **{"FT-201": 40}) == "Success"
        assert service.wait_drained(20, messages=1)
        assert (service.stats().messages, stored_numbers(store)) == (1, [40.0])
        service.stop()
        without = ingest(server, wait=None, ca_file=ca, username="ingest", password="heron")
        until(lambda: "connection lost" in without.stats().trouble.get("broker", ""))
    finally:
        server.stop()
