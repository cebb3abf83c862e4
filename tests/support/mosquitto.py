"""A real mosquitto for tests: own free port, own folder, can be killed and brought back."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path

HOST = "127.0.0.1"
SHIPPED_CONFIG = Path(__file__).parents[2] / "docs" / "broker" / "mosquitto.conf"

# A busy test must meet neither the default limit of 20 in flight nor that of 1,000 queued.
ROOMY = ("max_inflight_messages 1000", "max_queued_messages 500000")

_READY_SECONDS = 10.0
_PORT_ATTEMPTS = 5


def program() -> str | None:
    """Path of the mosquitto program; Debian keeps it in /usr/sbin, which plain users lack in PATH."""
    return shutil.which("mosquitto", path=os.environ.get("PATH", "") + os.pathsep + "/usr/sbin")


def shipped_lines() -> list[str]:
    """The configuration in docs/broker, less the lines that belong to one machine (address, folder, log)."""
    ours = ("listener ", "allow_anonymous ", "persistence_location ", "log_dest ")
    return [
        line
        for line in SHIPPED_CONFIG.read_text(encoding="utf-8").splitlines()
        if line and not line.startswith(("#", *ours))
    ]


class Mosquitto:
    """One broker process on 127.0.0.1; ``port`` stays the same over restarts.

    ``lines`` are added to the configuration. ``folder`` takes configuration, log and, where ``lines``
    turn persistence on, the database.
    """

    def __init__(self, folder: Path, lines: Sequence[str] = ROOMY) -> None:
        self.host = HOST
        self.port = 0
        self.folder = folder
        self.log = folder / "mosquitto.log"
        self._lines = list(lines)
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start and return once it answers; the first start picks the port."""
        if self._process is not None:
            raise RuntimeError("this broker runs already")
        if self.port:
            self._launch()
        else:
            self._launch_on_a_free_port()

    def stop(self) -> None:
        """End it in order (SIGTERM), so that it saves its database; nothing happens when it is down."""
        if self._process is not None:
            self._process.terminate()
            try:
                self._process.wait(_READY_SECONDS)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
            self._process = None

    def kill(self) -> None:
        """End it as a power cut would (SIGKILL): nothing more is saved or sent."""
        if self._process is None:
            raise RuntimeError("this broker does not run")
        self._process.kill()
        self._process.wait()
        self._process = None

    def read_log(self) -> str:
        """All that the broker has said since its first start."""
        return self.log.read_text(encoding="utf-8", errors="replace") if self.log.exists() else ""

    def _launch_on_a_free_port(self) -> None:
        # Between our look for a free port and mosquitto's bind another process may take it.
        for attempt in range(_PORT_ATTEMPTS):
            self.port = _free_port()
            try:
                self._launch()
            except RuntimeError:
                if attempt == _PORT_ATTEMPTS - 1 or "Address already in use" not in self.read_log():
                    raise
            else:
                break

    def _launch(self) -> None:
        path = program()
        if path is None:
            raise RuntimeError("mosquitto is not installed")
        self.folder.mkdir(parents=True, exist_ok=True)
        config = self.folder / "mosquitto.conf"
        config.write_text("\n".join(self._config()) + "\n", encoding="utf-8")
        with self.log.open("ab") as log:
            self._process = subprocess.Popen([path, "-c", str(config)], stdout=log, stderr=log)
        try:
            self._wait_until_ready()
        except RuntimeError:
            self.stop()
            raise

    def _config(self) -> list[str]:
        return [
            *self._lines,
            # Started by root, mosquitto would become a user who cannot read pytest's private folders;
            # started by anybody else, it does not look at this line.
            "user root",
            f"listener {self.port} {self.host}",
            "allow_anonymous true",
            f"persistence_location {self.folder}/",
            "log_dest stderr",
        ]

    def _wait_until_ready(self) -> None:
        assert self._process is not None
        deadline = time.monotonic() + _READY_SECONDS
        while time.monotonic() < deadline:
            if self._process.poll() is not None:
                raise RuntimeError(f"mosquitto ended at once: {self.read_log()}")
            if _answers(self.port):
                return
            time.sleep(0.02)
        raise RuntimeError(f"mosquitto did not answer in {_READY_SECONDS} s: {self.read_log()}")


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
        return port


def _answers(port: int) -> bool:
    """True once an MQTT 3.1.1 CONNECT gets its CONNACK: an open socket alone might be somebody else's."""
    connect = b"\x10\x11\x00\x04MQTT\x04\x02\x00\x05\x00\x05probe"
    try:
        with socket.create_connection((HOST, port), timeout=1.0) as link:
            link.sendall(connect)
            return link.recv(4) == b"\x20\x02\x00\x00"
    except OSError:
        return False
