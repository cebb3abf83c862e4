"""A real SMS gateway for tests: Debian's kannel, with the fake message centre of kannel-extras on its far side."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from tests.support.needs import missing

FAKE_SMSC = "/usr/lib/kannel/test/fakesmsc"
SHIPPED = Path(__file__).parents[2] / "docs" / "channels" / "kannel.conf"
OUR_NUMBER = "15550109999"
PASSWORD = "wren-5-stile"
KEY = "answers-key-7"
_SECONDS = 20.0

# What stands in place of a modem: one message centre takes what we send, from the other people's answers come.
_CENTRES = """
group = smsc
smsc = fake
smsc-id = out
host = 127.0.0.1
port = {out}
connect-allow-ip = 127.0.0.1

group = smsc
smsc = fake
smsc-id = people
host = 127.0.0.1
port = {people}
connect-allow-ip = 127.0.0.1
"""


class Kannel:
    """``url`` takes messages; what arrives is posted to ``listener`` port, which a test may listen on."""

    def __init__(self, folder: Path, http: int, people: int, listener: int) -> None:
        self.url = f"http://127.0.0.1:{http}/cgi-bin/sendsms"
        self.listener = listener
        self._folder = folder
        self._people = people
        self._phones = 0

    def received(self, about: str) -> list[str]:
        """Messages holding ``about`` that came through to the phones, ``from to text ...`` each; waits for one."""
        return _until(lambda: [one for one in _messages(self._folder) if about in one])

    @contextmanager
    def phone(self, number: str, text: str) -> Iterator[None]:
        """Somebody's phone sends ``text``, and stays on until the block ends. A reply is ``received`` like the rest."""
        command = [FAKE_SMSC, "-H", "127.0.0.1", "-r", str(self._people), "-i", "0.1", "-m", "1"]
        self._phones += 1
        log = self._folder / f"phone-{self._phones}.log"
        with _running([*command, f"{number} {OUR_NUMBER} text {text}"], log, None):
            yield


@contextmanager
def kannel(folder: Path) -> Iterator[Kannel]:
    """Bearerbox, smsbox and fake message centre on free ports, from the shipped file; skips where not installed."""
    path = os.environ.get("PATH", "") + os.pathsep + "/usr/sbin"
    bearerbox, smsbox = shutil.which("bearerbox", path=path), shutil.which("smsbox", path=path)
    if bearerbox is None or smsbox is None:
        missing("smsbox", "kannel")
    if not Path(FAKE_SMSC).exists():
        missing(FAKE_SMSC, "kannel-extras")
    admin, box, out, people, http, listener = _free_ports(6)
    config = folder / "kannel.conf"
    config.write_text(_config(admin, box, http, listener) + _CENTRES.format(out=out, people=people), encoding="utf-8")
    with ExitStack() as stack:
        stack.enter_context(_running([bearerbox, str(config)], folder / "bearerbox.log", box))
        fake = [FAKE_SMSC, "-H", "127.0.0.1", "-r", str(out), "-m", "0", "1 2 text nop"]
        stack.enter_context(_running(fake, folder / "phone-0.log", None))
        stack.enter_context(_running([smsbox, str(config)], folder / "smsbox.log", http))
        yield Kannel(folder, http, people, listener)


def _config(admin: int, box: int, http: int, listener: int) -> str:
    """The shipped example with this run's ports and passwords; its message centre is left out."""
    text = SHIPPED.read_text(encoding="utf-8")
    text = re.sub(r"^group = smsc\n(?:.+\n)*", "", text, flags=re.MULTILINE)
    for example, ours in (
        ("13000", admin), ("13001", box), ("13013", http), ("127.0.0.1:8090", f"127.0.0.1:{listener}"),
        ("CHANGE-ME-SEND", PASSWORD), ("CHANGE-ME-ADMIN", PASSWORD), ("CHANGE-ME-ANSWERS", KEY),
    ):  # fmt: skip
        if example not in text:
            raise RuntimeError(f"{SHIPPED} has no {example}")
        text = text.replace(example, str(ours))
    return text


def _messages(folder: Path) -> list[str]:
    """What came to any phone: kannel sends a reply by whichever message centre it likes."""
    lines = [line for log in folder.glob("phone-*.log") for line in log.read_text(errors="replace").splitlines()]
    return [line.split("<", 1)[1].rstrip(">") for line in lines if "Got message" in line and "<" in line]


def _until(look: Callable[[], list[str]]) -> list[str]:
    end = time.monotonic() + _SECONDS
    while not (found := look()) and time.monotonic() < end:
        time.sleep(0.05)
    return found


def _free_ports(count: int) -> list[int]:
    sockets = [socket.socket() for _ in range(count)]
    try:
        for one in sockets:
            one.bind(("127.0.0.1", 0))
        return [one.getsockname()[1] for one in sockets]
    finally:
        for one in sockets:
            one.close()


@contextmanager
def _running(command: list[str], log: Path, port: int | None) -> Iterator[None]:
    with log.open("wb") as out, subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT) as process:
        try:
            end = time.monotonic() + _SECONDS
            while port is not None and not _answers(port):
                if process.poll() is not None or time.monotonic() > end:
                    raise RuntimeError(f"{command[0]} did not start:\n{log.read_text(errors='replace')[-2000:]}")
                time.sleep(0.05)
            yield
        finally:
            process.terminate()
            with suppress(subprocess.TimeoutExpired):
                process.wait(2)
            process.kill()


def _answers(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), 1).close()
    except OSError:
        return False
    return True
