"""docs/connecting.md is followed as it stands: its fleet file, its commands, its certificates, its bridge."""

import contextlib
import re
import shutil
import socket
import subprocess
import threading
from pathlib import Path

import pytest

from skidhand.fleet import parse_fleet
from skidhand.model.quality import BAD_SENSOR_FAILURE, GOOD
from skidhand.stores import open_store
from skidhand.stores.memory import MemoryStore
from tests.cli.conftest import home, run  # noqa: F401 - fixtures
from tests.ingest.broker_support import Publisher, service_of
from tests.ingest.support import FLEET, stored_numbers
from tests.ingest.test_broker_security import LEFT_SOCKET, SecureMosquitto, certificates, of_ingest  # noqa: F401
from tests.ingest.test_drain import until
from tests.support.mosquitto import HOST, Mosquitto
from tests.support.needs import missing

pytestmark = [pytest.mark.broker, pytest.mark.filterwarnings(LEFT_SOCKET)]

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "connecting.md").read_text(encoding="utf-8")
HOUR = 360  # messages of a skid that sends every ten seconds


def section(title):
    """The text of one section."""
    return PAGE.partition(f"## {title}")[2].partition("\n## ")[0]


def commands(title):
    """The commands of one section."""
    found = re.findall(r"```sh\n(.*?)```", section(title), re.DOTALL)
    assert found, title
    return found


def shell(script, folder):
    """Run it as a person would, and stop at the first failure; what it printed."""
    done = subprocess.run(["sh", "-ec", script], cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout + done.stderr


def test_from_nothing_to_seen_in_doctor(mosquitto_factory, run, home):  # noqa: F811
    """The page's fleet file is put in force, its messages are published with mosquitto_pub, doctor shows the skid."""
    if shutil.which("mosquitto_pub") is None:
        missing("mosquitto_pub", "mosquitto-clients")
    server = mosquitto_factory()
    (home / "fleet.yaml").write_text(re.search(r"```yaml\n(.*?)```", PAGE, re.DOTALL)[1], encoding="utf-8")
    assert run("check", "fleet.yaml", "--apply", "--logbook", "book.db", "--effective", "2026-01-15").code == 0
    lake = open_store(str(home / "lake"))
    service = service_of(server, home, lake, fleet=None, beat_interval_s=0.2)
    service.start(wait_connected_s=20)
    try:
        for command in commands("2. Publish"):
            assert "-h localhost -p 1883" in command
            shell(command.replace("-h localhost -p 1883", f"-h {server.host} -p {server.port}"), home)
        assert service.wait_drained(30, messages=3)
        where = ("--broker", f"{server.host}:{server.port}", "--store", "lake", "--logbook", "book.db")
        until(lambda: "last seen 20" in run("doctor", *where, "--spool", "spool.db", "--format", "csv").out)
        told = run("doctor", *where, "--spool", "spool.db", "--format", "csv").out
    finally:
        service.stop()
    assert re.search(r"(?m)^broker,.*,True,answers", told)
    assert re.search(r"(?m)^skid,tf-skid-1,.*last seen 20", told)
    assert re.search(rf"(?m)^ingest,{service.worker},True,.*samples_per_s [0-9.]+.*unacknowledged_s", told)
    assert not re.search(r"(?m)^(refused|in doubt),", told)
    assert stored_numbers(lake, "tf-skid-1/FT-201") == [40.1, 40.2, 39.8]
    latest = lake.latest(["tf-skid-1/PDT-301", "tf-skid-1/XS-301"])
    assert dict(zip(latest["series"].to_pylist(), latest["quality"].to_pylist(), strict=True)) == {
        "tf-skid-1/PDT-301": BAD_SENSOR_FAILURE,
        "tf-skid-1/XS-301": GOOD,
    }


@pytest.fixture(scope="module")
def with_gateway(certificates):  # noqa: F811
    """The folder of certificates, with that of the page's gateway, made by the page's commands in their order."""
    printed = shell("".join(commands("4. Certificates for the way there")), certificates)
    assert "pad-gateway.crt: OK" in printed
    assert "CN = pad-gateway" in printed or "CN=pad-gateway" in printed
    digests = [line.split()[-1] for line in printed.splitlines() if re.search(r"[0-9a-f]{64}$", line)]
    assert len(digests) == 2
    assert len(set(digests)) == 1
    subprocess.run(["mosquitto_passwd", "-b", certificates / "passwd", "pad-gateway", "its password"], check=True)
    return certificates


class Historian(SecureMosquitto):
    """The secure broker, with the lines for a pad's gateway that acl.conf shows."""

    def _config(self):
        acl = (DOCS / "broker" / "acl.conf").read_text(encoding="utf-8")
        shown = re.sub("^#(user pad-gateway|topic write)", r"\1", acl, flags=re.MULTILINE)
        assert "\nuser pad-gateway\ntopic write" in shown
        (self.folder / "acl.conf").write_text(shown.replace("/tansy-4/", "/sedge-2/"), encoding="utf-8")
        return [
            line.replace(str(DOCS / "broker" / "acl.conf"), f"{self.folder}/acl.conf") for line in super()._config()
        ]


class Pad(Mosquitto):
    """The pad's broker with bridge.conf as it is written; only addresses, folders and the pace of tries are ours."""

    def __init__(self, folder, files, link_port):
        super().__init__(folder)
        self._files, self._link_port = files, link_port

    def _config(self):
        text = (DOCS / "broker" / "bridge.conf").read_text(encoding="utf-8")
        for shipped, ours in (
            ("listener 1883", f"listener {self.port} {HOST}"),
            ("address broker.example:8883", f"address {HOST}:{self._link_port}"),
            ("/etc/mosquitto/certs/", f"{self._files}/"),
            ("/var/lib/mosquitto/", f"{self.folder}/"),
            ("restart_timeout 2 30", "restart_timeout 1"),
            ("log_dest stdout", "log_dest stderr"),
        ):
            assert shipped in text, shipped
            text = text.replace(shipped, ours)
        return ["user root", *text.splitlines()]


class Link:
    """The radio between pad and historian: a TCP relay that can be cut."""

    def __init__(self, to_port):
        self._to, self._up, self._ends = to_port, True, []
        self._door = socket.create_server((HOST, 0))
        self.port = self._door.getsockname()[1]
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self):
        while True:
            try:
                near, _ = self._door.accept()
            except OSError:
                return
            if not self._up:
                near.close()
                continue
            far = socket.create_connection((HOST, self._to))
            self._ends += [near, far]
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._pump, args=(one, other), daemon=True).start()

    @staticmethod
    def _pump(one, other):
        try:
            while data := one.recv(65536):
                other.sendall(data)
        except OSError:
            pass
        for end in (one, other):
            end.close()

    def cut(self):
        """Nothing gets through any more."""
        self._up = False
        for end in self._ends:
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
        self._ends.clear()

    def mend(self):
        """New connections get through."""
        self._up = True

    def close(self):
        """The end."""
        self.cut()
        self._door.close()


def test_a_bridge_on_the_pad_loses_nothing_while_the_link_is_down(with_gateway, tmp_path):
    """bridge.conf over TLS: link cut, an hour's messages published, pad's broker restarted, link mended: all stored."""
    historian = Historian(tmp_path / "historian", with_gateway)
    historian.folder.mkdir()
    historian.start()
    link = Link(historian.port)
    pad = Pad(tmp_path / "pad", with_gateway, link.port)
    pad.start()
    store = MemoryStore()
    service = service_of(historian, tmp_path, store, broker=of_ingest(historian), fleet=FLEET)
    service.start(wait_connected_s=20)
    gateway = Publisher(pad)
    try:
        gateway.numbers(range(10))
        until(lambda: service.stats().messages == 10, 40)
        link.cut()
        gateway.numbers(range(10, 10 + HOUR))
        assert service.stats().messages == 10
        pad.stop()
        pad.start()
        gateway.numbers(range(10 + HOUR, 15 + HOUR))
        link.mend()
        until(lambda: len(stored_numbers(store, "tf-skid-1/PDT-301")) == 15 + HOUR, 60)
    finally:
        gateway.close()
        service.stop()
        link.close()
        pad.stop()
        historian.stop()
    assert stored_numbers(store, "tf-skid-1/PDT-301") == [float(n) for n in range(15 + HOUR)]
    assert service.stats().refused == {}


def test_the_page_and_the_bridge_say_the_same():
    """The message of the page's shape is one that ingest knows; the bridge passes on what acl.conf lets through."""
    assert parse_fleet(re.search(r"```yaml\n(.*?)```", PAGE, re.DOTALL)[1]).fleet.skid("tf-skid-1")
    bridge = (DOCS / "broker" / "bridge.conf").read_text(encoding="utf-8")
    passed = re.findall(r"^topic (\S+) out 1$", bridge, re.MULTILINE)
    acl = (DOCS / "broker" / "acl.conf").read_text(encoding="utf-8")
    allowed = re.findall(r"^pattern write (\S+)$", acl, re.MULTILINE)
    assert set(passed) == {topic.replace("%u", "+") for topic in allowed if topic.startswith("skidhand/")}
