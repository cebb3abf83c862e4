"""A real InfluxDB for tests: Debian's influxdb 1.6, behind nginx, which gives it the v2 write path.

``$SKIDHAND_TEST_INFLUX`` (a store's URL without its bucket, such as ``influx://127.0.0.1:8086?org=test``) names
a running v2 server to use instead; its token comes from the environment as for any store.
"""

from __future__ import annotations

import atexit
import os
import re
import shutil
import socket
import subprocess
import tempfile
import time
import urllib.error
import urllib.parse
import urllib.request
import uuid
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

from tests.support.needs import missing

HOST = "127.0.0.1"
ELSEWHERE = "SKIDHAND_TEST_INFLUX"
_READY_SECONDS = 20.0
_PORT_ATTEMPTS = 5

_INFLUX_CONFIG = """
reporting-disabled = true
bind-address = "{host}:0"
[meta]
dir = "{folder}/meta"
[data]
dir = "{folder}/data"
wal-dir = "{folder}/wal"
query-log-enabled = false
[http]
bind-address = "{host}:0"
log-enabled = false
[monitor]
store-enabled = false
"""

# What v2 calls a bucket, 1.x calls a database; all else is the same: gzip, line protocol, answers.
_NGINX_CONFIG = """
daemon off;
master_process off;
pid {folder}/nginx.pid;
error_log {folder}/nginx.log;
events {{}}
http {{
    access_log off;
    client_max_body_size 0;
    client_body_temp_path {folder}/body;
    proxy_temp_path {folder}/proxy;
    fastcgi_temp_path {folder}/fastcgi;
    uwsgi_temp_path {folder}/uwsgi;
    scgi_temp_path {folder}/scgi;
    server {{
        listen {host}:{front};
        location = /api/v2/write {{
            proxy_pass http://{host}:{inner}/write?db=$arg_bucket&precision=$arg_precision;
        }}
        location / {{
            proxy_pass http://{host}:{inner};
            proxy_buffering off;
        }}
    }}
}}
"""


def program(name: str) -> str | None:
    """Path of a server program; Debian keeps nginx in /usr/sbin, which plain users lack in PATH."""
    return shutil.which(name, path=os.environ.get("PATH", "") + os.pathsep + "/usr/sbin")


class Influx:
    """influxd and nginx on 127.0.0.1; ``port`` is the one to use, and stays the same over restarts."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = 0
        self._processes: list[subprocess.Popen[bytes]] = []

    def start(self) -> None:
        """Start both and return once they answer; skips the test where a program is missing."""
        if self._processes:
            raise RuntimeError("this server runs already")
        for name, package in (("influxd", "influxdb"), ("nginx", "nginx")):
            if program(name) is None:
                missing(name, package)
        self.folder.mkdir(parents=True, exist_ok=True)
        try:
            self._start_nginx(self._start_influxd())
        except RuntimeError:
            self.stop()
            raise

    def stop(self) -> None:
        """End both in order (SIGTERM); nothing happens when they are down."""
        for process in self._processes:
            process.terminate()
        for process in self._processes:
            try:
                process.wait(_READY_SECONDS)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        self._processes.clear()

    def kill(self) -> None:
        """End both as a power cut would (SIGKILL)."""
        for process in self._processes:
            process.kill()
            process.wait()
        self._processes.clear()

    def ask(self, statement: str, bucket: str = "") -> bytes:
        """The server's own answer to an InfluxQL statement, as JSON text."""
        form = urllib.parse.urlencode({"q": statement, "db": bucket, "epoch": "ns"}).encode()
        with urllib.request.urlopen(f"http://{HOST}:{self.port}/query", form, timeout=10) as answer:
            text: bytes = answer.read()
        return text

    def new_url(self, bucket: str | None = None) -> str:
        """A store's URL of a new, empty bucket."""
        bucket = bucket or f"b{uuid.uuid4().hex}"
        self.ask(f'CREATE DATABASE "{bucket}"')
        return f"influx://{HOST}:{self.port}/{bucket}"

    def _start_influxd(self) -> int:
        config, log = self.folder / "influxdb.conf", self.folder / "influxd.log"
        config.write_text(_INFLUX_CONFIG.format(host=HOST, folder=self.folder), encoding="utf-8")
        process = self._run(log, [program("influxd"), "run", "-config", str(config)])

        def listens() -> re.Match[str] | None:
            return re.search(r"Listening on HTTP.* addr=[\d.]+:(\d+)", log.read_text(encoding="utf-8"))

        return int(_wait(process, listens, log)[1])

    def _start_nginx(self, inner: int) -> None:
        for attempt in range(_PORT_ATTEMPTS):
            front = self.port or _free_port()
            config, log = self.folder / "nginx.conf", self.folder / "nginx.log"
            text = _NGINX_CONFIG.format(host=HOST, folder=self.folder, front=front, inner=inner)
            config.write_text(text, encoding="utf-8")
            log.unlink(missing_ok=True)
            process = self._run(log, [program("nginx"), "-c", str(config), "-e", str(log)])
            try:
                _wait(process, lambda front=front: _answers(front), log)
            except RuntimeError:
                # Between our look for a free port and nginx's bind another process may take it.
                if self.port or attempt == _PORT_ATTEMPTS - 1 or "in use" not in log.read_text(encoding="utf-8"):
                    raise
                self._processes.remove(process)
            else:
                self.port = front
                return

    def _run(self, log: Path, command: list[str]) -> subprocess.Popen[bytes]:
        with log.open("wb") as out:
            process = subprocess.Popen(command, stdout=out, stderr=out)
        self._processes.append(process)
        return process


def _wait(process: subprocess.Popen[bytes], ready: Callable[[], Any], log: Path) -> Any:
    deadline = time.monotonic() + _READY_SECONDS
    while time.monotonic() < deadline:
        if process.poll() is not None:
            break
        found = ready()
        if found:
            return found
        time.sleep(0.02)
    raise RuntimeError(f"{process.args} did not come up: {log.read_text(encoding='utf-8', errors='replace')}")


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
        return port


def _answers(port: int) -> bool:
    """True once an InfluxDB answers there: an open socket alone might be somebody else's."""
    try:
        with urllib.request.urlopen(f"http://{HOST}:{port}/ping", timeout=1.0) as answer:
            return "X-Influxdb-Version" in answer.headers
    except OSError:
        return False


@cache
def shared() -> Influx:
    """One server for all tests of this process, each in a bucket of its own."""
    folder = Path(tempfile.mkdtemp(prefix="skidhand-influx-"))
    server = Influx(folder)
    server.start()
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    atexit.register(server.stop)
    return server


def elsewhere() -> str:
    """The running v2 server to use instead of one of our own; empty when there is none."""
    return os.environ.get(ELSEWHERE, "")


def new_url() -> str:
    """A store's URL of a new, empty bucket on the server of this test run."""
    return _new_v2_url(elsewhere()) if elsewhere() else shared().new_url()


def _new_v2_url(base: str) -> str:
    from influxdb_client import InfluxDBClient

    from skidhand.stores.influx_server import Address, token

    server, _, query = base.partition("?")
    bucket = f"b{uuid.uuid4().hex}"
    url = f"{server}/{bucket}?{query}"
    address = Address.parse(url)
    with InfluxDBClient(address.url, token=token(), org=address.org) as client:
        client.buckets_api().create_bucket(bucket_name=bucket, org=address.org)
    return url
