"""What the long-running commands share: an orderly stop, an instance's name, and settings in the rooms' words."""

from __future__ import annotations

import os
import signal
import socket
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from skidhand.settings import Broker


def on_stop(stop: Callable[[], None]) -> None:
    """Call ``stop`` on SIGTERM and on Ctrl-C."""
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop())


def stop_event() -> threading.Event:
    """An event that SIGTERM and Ctrl-C set."""
    event = threading.Event()
    on_stop(event.set)
    return event


def instance() -> str:
    """A name for this process among others of its kind."""
    return f"{socket.gethostname()}:{os.getpid()}"


def connection(broker: Broker) -> dict[str, Any]:
    """How to reach the broker, as ingest and the publisher both want it."""
    return {
        "host": broker.host,
        "port": broker.port,
        "username": broker.username,
        "password": broker.secret(),
        "tls": broker.tls.on,
        "ca_file": broker.tls.ca,
        "cert_file": broker.tls.cert,
        "key_file": broker.tls.key,
    }
