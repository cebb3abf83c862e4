"""Serves the app until it is told to stop."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final

import uvicorn
from fastapi import FastAPI

from board.access import is_loopback
from board.app import make_app
from board.house import House
from skidhand.clock import Clock, monotonic
from skidhand.errors import OutsideError, SettingsError
from skidhand.logbook import Logbook
from skidhand.settings import Board
from skidhand.stores.base import Store

GRACE_S: Final = 3
START_S: Final = 30.0


def serve(store: Store, logbook: Logbook, settings: Board, clock: Clock, *, say: Callable[[str], None]) -> None:
    """Serve until SIGTERM or SIGINT; ``say`` hears the address, and the set-up link while there are no users.

    OutsideError when the address cannot be used, SettingsError for half a certificate.
    """
    app = make_app(store, logbook, settings, clock)
    with _listening(settings) as listener:
        address = _address(settings, listener)
        say(f"The board is at {address}")
        if not logbook.users.any():
            say(f"There are no users yet. Make the first one here, once, within a day: "
                f"{address}/set-up/{logbook.users.invite(None)}")  # fmt: skip
            if not is_loopback(settings.host):
                say("Until then it answers nobody but this host.")
        _Server(_config(app, settings), app.state.house).run(sockets=[listener])


@contextmanager
def served(store: Store, logbook: Logbook, settings: Board, clock: Clock) -> Iterator[str]:
    """The board in a thread of this process, for a demo or a test; gives its address."""
    app = make_app(store, logbook, settings, clock)
    with _listening(settings) as listener:
        server = _Server(_config(app, settings), app.state.house)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, name="board-server", daemon=True)
        thread.start()
        try:
            end = monotonic() + START_S
            while not server.started and thread.is_alive() and monotonic() < end:
                threading.Event().wait(0.02)
            if not server.started:
                raise OutsideError("the board did not start")
            yield _address(settings, listener)
        finally:
            server.handle_exit(0, None)
            thread.join(GRACE_S + 10.0)


class _Server(uvicorn.Server):
    """Tells the house to stop first, so that open event streams end by themselves."""

    def __init__(self, config: uvicorn.Config, house: House) -> None:
        super().__init__(config)
        self._house = house

    def handle_exit(self, sig: int, frame: object) -> None:
        """On a signal."""
        self._house.stopping.set()
        self.should_exit = True
        del sig, frame


def _config(app: FastAPI, settings: Board) -> uvicorn.Config:
    return uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=GRACE_S,
        ssl_certfile=str(settings.cert) if settings.cert else None,
        ssl_keyfile=str(settings.key) if settings.key else None,
    )


@contextmanager
def _listening(settings: Board) -> Iterator[socket.socket]:
    if (settings.cert is None) != (settings.key is None):
        raise SettingsError("board.cert and board.key belong together; give both or none")
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    listener = socket.socket(family)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((settings.host, settings.port))
        listener.listen(128)  # who comes before all is loaded waits instead of being turned away
        yield listener
    except OSError as error:
        raise OutsideError(f"the board cannot listen on {settings.host}:{settings.port}: {error.strerror}") from error
    finally:
        listener.close()


def _address(settings: Board, listener: socket.socket) -> str:
    host = f"[{settings.host}]" if ":" in settings.host else settings.host
    return f"{'https' if settings.cert else 'http'}://{host}:{listener.getsockname()[1]}"
