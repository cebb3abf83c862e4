"""A broker for the demo: mosquitto when it is on the PATH, otherwise amqtt in this process."""

from __future__ import annotations

import asyncio
import logging
import os
import shutil
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from skidhand.clock import monotonic
from skidhand.errors import BrokerError

HOST: Final = "127.0.0.1"
READY_S: Final = 15.0
CONFIG: Final = """\
listener {port} 127.0.0.1
allow_anonymous true
persistence false
max_inflight_messages 1000
max_queued_messages 100000
"""


@dataclass(frozen=True, slots=True)
class DemoBroker:
    """A broker that answers on loopback; ``mqtt5`` says whether it speaks MQTT 5."""

    name: str
    port: int
    mqtt5: bool


@contextmanager
def demo_broker(folder: Path, *, allow_mosquitto: bool = True) -> Iterator[DemoBroker]:
    """Start a broker on a free port of 127.0.0.1, and stop it at the end; BrokerError when none answers."""
    # Debian keeps mosquitto in /usr/sbin, which plain users lack in their PATH.
    program = shutil.which("mosquitto", path=os.environ.get("PATH", "") + os.pathsep + "/usr/sbin")
    port = _free_port()
    if program and allow_mosquitto:
        with _mosquitto(program, port, folder):
            yield DemoBroker("mosquitto", port, mqtt5=True)
    else:
        with _amqtt(port):
            yield DemoBroker("amqtt", port, mqtt5=False)


@contextmanager
def _mosquitto(program: str, port: int, folder: Path) -> Iterator[None]:
    config = folder / "mosquitto.conf"
    config.write_text(CONFIG.format(port=port), encoding="utf-8")
    with (folder / "mosquitto.log").open("wb") as log:
        process = subprocess.Popen([program, "-c", str(config)], stdout=log, stderr=log)
        try:
            _wait_for(port, "mosquitto", alive=lambda: process.poll() is None)
            yield
        finally:
            process.terminate()
            process.wait(READY_S)


@contextmanager
def _amqtt(port: int) -> Iterator[None]:
    from amqtt.broker import Broker

    # Our own look at the port is an empty connection, of which amqtt would complain.
    logging.getLogger("amqtt").setLevel(logging.CRITICAL)
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, name="amqtt", daemon=True)
    thread.start()
    settings = {
        "listeners": {"default": {"type": "tcp", "bind": f"{HOST}:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }

    async def start() -> Broker:
        broker = Broker(settings, loop=loop)
        await broker.start()
        return broker

    broker = asyncio.run_coroutine_threadsafe(start(), loop).result(READY_S)
    try:
        _wait_for(port, "amqtt", alive=thread.is_alive)
        yield
    finally:
        with suppress(TimeoutError):
            asyncio.run_coroutine_threadsafe(_shut_down(broker), loop).result(READY_S)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(READY_S)
        loop.close()


async def _shut_down(broker: Any) -> None:
    """Stop the broker and what it leaves running; its transports need some turns of the loop to close."""
    await broker.shutdown()
    left = asyncio.all_tasks() - {asyncio.current_task()}
    for task in left:
        task.cancel()
    await asyncio.gather(*left, return_exceptions=True)
    await asyncio.sleep(0.1)


def _wait_for(port: int, name: str, *, alive: Callable[[], bool]) -> None:
    end = monotonic() + READY_S
    while monotonic() < end:
        if not alive():
            break
        with suppress(OSError), closing(socket.create_connection((HOST, port), timeout=1.0)):
            return
        threading.Event().wait(0.05)
    raise BrokerError(f"{name} does not answer on {HOST}:{port} within {READY_S:g} s")


def _free_port() -> int:
    with closing(socket.socket()) as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])
