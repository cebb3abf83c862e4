"""A mail server for tests on a port that the system chooses."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from aiosmtpd.controller import Controller


class OnAnyPort(Controller):
    """The library's own probe would connect to port 0."""

    def _trigger_server(self) -> None:
        with socket.create_connection(self.server.sockets[0].getsockname()):
            self._factory_invoked.wait(5)


class _Taking:
    async def handle_DATA(self, *_: object) -> str:  # noqa: N802 (the library's names)
        return "250 OK"


@contextmanager
def mail_server(handler: object | None = None, **how: Any) -> Iterator[int]:
    """Runs while the block does; gives its port. ``how`` is for the library: TLS, authentication."""
    controller = OnAnyPort(handler or _Taking(), hostname="127.0.0.1", port=0, **how)
    controller.start()
    try:
        yield controller.server.sockets[0].getsockname()[1]
    finally:
        controller.stop()
