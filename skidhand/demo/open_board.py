"""The end of the demo: the board, open on what it left, until somebody ends it."""

from __future__ import annotations

import threading
from contextlib import closing, suppress
from pathlib import Path

from rich.console import Console

from board.serve import served
from skidhand.errors import OutsideError
from skidhand.logbook import Logbook
from skidhand.settings import Board
from skidhand.stores import open_store

WATCH_S = 0.5


def show_board(folder: Path, console: Console, *, stop: threading.Event | None = None) -> None:
    """Serve the board on this host, to look only, over ``folder`` until Ctrl-C or ``stop``.

    It takes its usual port, or a free one where that is taken.
    """
    stop = stop or threading.Event()
    with Logbook(str(folder / "logbook.db")) as book, closing(open_store(str(folder / "lake"))) as store:
        clock = book.open_clock("stream")
        for port in (Board().port, 0):
            try:
                with served(store, book, Board(port=port, open=True), clock) as address:
                    console.print(f"\nThe board is open on this run: {address}   (Ctrl-C ends)", highlight=False)
                    with suppress(KeyboardInterrupt):
                        while not stop.wait(WATCH_S):
                            pass
                return
            except OutsideError:
                if port == 0:
                    raise
