"""Runs the listener beside the alerts service, in a thread of the same process."""

from __future__ import annotations

import threading
from types import TracebackType
from typing import Final

import uvicorn

from alerts.channels.http_gateway import KEY
from alerts.channels.private import secret
from alerts.inbound import links
from alerts.inbound.desk import Desk
from alerts.inbound.listener import LONGEST_BODY, app
from skidhand import __version__
from skidhand.clock import WallClock, monotonic
from skidhand.errors import OutsideError, SettingsError
from skidhand.logbook import Logbook
from skidhand.model.heartbeat import Heartbeat

BEAT_S: Final = 10.0
_START_S: Final = 10.0


def address_of(text: str) -> tuple[str, int]:
    """Host and port of ``127.0.0.1:8090``, ``:8090`` (this host only) or ``[::1]:8090``; SettingsError otherwise."""
    host, _, port = text.rpartition(":")
    if not port.isdecimal() or int(port) > 65535:
        raise SettingsError(f"listen must be HOST:PORT such as 127.0.0.1:8090, got {text!r}")
    return host.strip("[]") or "127.0.0.1", int(port)


class Listening:
    """The listener while the block lasts; ``port`` is the one that it got (port 0 asks for any)."""

    def __init__(self, listen: str, logbook: Logbook, desk: Desk, instance: str) -> None:
        host, port = address_of(listen)
        key, link_secret = secret(KEY), secret(links.SECRET)
        if not key and not link_secret:
            raise SettingsError(f"listen {listen}: set {KEY}, {links.SECRET} or both; without one nothing is taken")
        if link_secret and len(link_secret) < links.SHORTEST_SECRET:
            raise SettingsError(f"{links.SECRET} must have at least {links.SHORTEST_SECRET} characters")
        self.desk = desk
        self._logbook = logbook
        self._instance = instance
        self._beaten = -BEAT_S
        self._listen = listen
        # h11 refuses a longer head by itself; the access log would hold numbers and keys.
        config = uvicorn.Config(
            app(logbook, self.desk, key=key, link_secret=link_secret),
            host=host,
            port=port,
            log_config=None,
            access_log=False,
            server_header=False,
            h11_max_incomplete_event_size=LONGEST_BODY,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, name="listener", daemon=True)

    def __enter__(self) -> Listening:
        self._thread.start()
        end = monotonic() + _START_S
        while not self._server.started and self._thread.is_alive() and monotonic() < end:
            self._thread.join(0.02)
        if not self._server.started:
            raise OutsideError(f"cannot listen on {self._listen}: is the port taken, or the address another host's?")
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        self._server.should_exit = True
        self._thread.join(_START_S)

    @property
    def port(self) -> int:
        """The port that is listened on."""
        return int(self._server.servers[0].sockets[0].getsockname()[1])

    def beat(self) -> None:
        """Tell the logbook, now and then, that the listener lives and what it refused since it began."""
        if monotonic() - self._beaten < BEAT_S:
            return
        self._beaten = monotonic()
        counts = dict(self.desk.counts)
        good = {name: float(counts.pop(name, 0)) for name in ("taken", "receipts")}
        self._logbook.heartbeats.beat(
            Heartbeat(
                service="listener",
                instance=self._instance,
                at=WallClock().now(),
                version=__version__,
                refusals=counts,
                figures=good,
            )
        )

    def _run(self) -> None:
        try:
            self._server.run()
        except SystemExit:  # uvicorn's way to say that it could not bind
            return
