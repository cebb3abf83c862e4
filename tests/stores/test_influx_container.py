"""The store's whole suite once more on InfluxDB 2.7, where a container engine can run it."""

from __future__ import annotations

import gc
import os
import subprocess
import sys
import time
import urllib.request
import warnings
from pathlib import Path

import pytest

from tests.support.influx import ELSEWHERE

IMAGE = "influxdb:2.7"
TOKEN = "for-tests-only"
SET_UP = {
    "MODE": "setup",
    "ORG": "test",
    "BUCKET": "first",
    "USERNAME": "test",
    "PASSWORD": "only-for-tests",
    "ADMIN_TOKEN": TOKEN,
}
SUITE = ["test_contract.py", "test_contract_buckets.py", "test_contract_changes.py", "test_contract_properties.py"]


def engine_error() -> str:
    """Why no container can be started here; empty when one can."""
    import docker

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # the library leaves the socket of a failed look open
        try:
            docker.from_env(timeout=5).ping()
        except docker.errors.DockerException as error:
            return str(error).splitlines()[0]
        finally:
            gc.collect()
    return ""


def wait_until_set_up(url: str) -> None:
    """Return when the server takes our token: it answers others while it is being set up."""
    deadline = time.monotonic() + 60
    asked = urllib.request.Request(f"{url}/api/v2/buckets", headers={"Authorization": f"Token {TOKEN}"})
    while True:
        try:
            with urllib.request.urlopen(asked, timeout=5):
                return
        except OSError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.5)


@pytest.mark.slow
def test_the_suite_holds_on_influxdb_2():
    """Every contract test and the influx store's own pass on a v2 server, with its own token and buckets."""
    if why := engine_error():
        pytest.skip(f"no container engine answers, so {IMAGE} was not tried: {why}")
    from testcontainers.core.container import DockerContainer

    container = DockerContainer(IMAGE).with_exposed_ports(8086)
    for name, value in SET_UP.items():
        container.with_env(f"DOCKER_INFLUXDB_INIT_{name}", value)
    with container:
        where = f"{container.get_container_host_ip()}:{container.get_exposed_port(8086)}"
        wait_until_set_up(f"http://{where}")
        suite = subprocess.run(
            [sys.executable, "-m", "pytest", "-k", "influx", *SUITE, "test_influx.py", "test_influx_server.py"],
            cwd=Path(__file__).parent,
            env={**os.environ, ELSEWHERE: f"influx://{where}?org=test", "SKIDHAND_INFLUX_TOKEN": TOKEN},
            capture_output=True,
            text=True,
            timeout=280,
        )
    assert suite.returncode == 0, suite.stdout[-5000:]
