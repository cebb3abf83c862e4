"""The access list of docs/sparkplug.md, read out of the page and given to a mosquitto: who gets through."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.support import mosquitto as broker
from tests.support.mosquitto import HOST, Mosquitto
from tests.support.needs import missing

pytestmark = pytest.mark.broker

PAGE = Path(__file__).parents[2] / "docs" / "sparkplug.md"
NODE = "spBv1.0/tansy-4/{}/gateway"
NAMES = ("ingest", "pad-gateway")


class Listed(Mosquitto):
    """A broker that knows NAMES (each its own password) and the page's access list."""

    def _config(self):
        (block,) = re.findall(r"```\n(user ingest\n.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
        (self.folder / "acl").write_text(block, encoding="utf-8")
        for name in NAMES:
            new = [] if (self.folder / "passwd").exists() else ["-c"]
            subprocess.run(["mosquitto_passwd", *new, "-b", self.folder / "passwd", name, name], check=True)
        files = [f"{key} {self.folder / name}" for key, name in (("acl_file", "acl"), ("password_file", "passwd"))]
        return [*super()._config(), *files]


@pytest.fixture(scope="module")
def listed(tmp_path_factory):
    """That broker."""
    if broker.program() is None or shutil.which("mosquitto_pub") is None:
        missing("mosquitto", "mosquitto-clients")
    running = Listed(tmp_path_factory.mktemp("listed"))
    running.start()
    yield running
    running.stop()


def say(server, name, topic) -> bool:
    """Whether ``name`` may publish there: MQTT 5 tells."""
    command = ["mosquitto_pub", "-h", HOST, "-p", str(server.port), "-u", name, "-P", name]
    done = subprocess.run(
        [*command, "-V", "mqttv5", "-q", "1", "-t", topic, "-m", "x"], capture_output=True, text=True, check=False
    )
    return done.returncode == 0 and "ot authorized" not in done.stderr + done.stdout


@pytest.mark.parametrize(
    ("name", "topic", "may"),
    [
        *(("pad-gateway", NODE.format(kind), True) for kind in ("NBIRTH", "NDATA", "NDEATH")),
        *(("pad-gateway", f"{NODE.format(kind)}/tf-skid-1", True) for kind in ("DBIRTH", "DDATA", "DDEATH")),
        ("pad-gateway", "spBv1.0/tansy-4/NDATA/other", False),
        ("pad-gateway", "spBv1.0/tansy-7/NDATA/gateway", False),
        ("pad-gateway", "spBv1.0/tansy-4/DDATA/other/tf-skid-1", False),
        ("pad-gateway", "spBv1.0/STATE/skidhand", False),
        ("ingest", "spBv1.0/STATE/skidhand", True),
        ("ingest", "spBv1.0/STATE/other", False),
        ("ingest", NODE.format("NCMD"), True),
        ("ingest", NODE.format("NDATA"), False),
        ("ingest", f"{NODE.format('DCMD')}/tf-skid-1", False),
    ],
)
def test_each_name_publishes_its_own_alone(listed, name, topic, may):
    """A gateway its own births, data and deaths; ingest its STATE and node commands; nobody anything else."""
    assert say(listed, name, topic) is may
