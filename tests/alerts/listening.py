"""A scene whose alerts service runs beside a listener, as `skidhand alerts --listen` has them."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from alerts.inbound.desk import Desk
from alerts.inbound.server import Listening
from skidhand.logbook import Logbook
from tests.alerts.conftest import Scene

KEY = "answers-key-7"
LINKS = "a long secret of this test"


@contextmanager
def listening_scene(folder: Path, monkeypatch, *channels, port: int = 0) -> Iterator[tuple[Scene, Listening]]:
    """Scene and listener; alerts works every 50 ms in a thread of its own while the block lasts."""
    monkeypatch.setenv("SKIDHAND_LISTEN_SECRET", KEY)
    monkeypatch.setenv("SKIDHAND_LINKS_SECRET", LINKS)
    monkeypatch.setenv("NO_PROXY", "*")
    with Logbook(f"sqlite:///{folder / 'logbook.db'}") as logbook:
        scene = Scene(logbook)
        scene.service = scene.start(*channels)
        stop = threading.Event()
        with Listening(f"127.0.0.1:{port}", logbook, Desk(logbook, scene.clock), "test") as listening:
            thread = threading.Thread(target=scene.service.run_forever, args=(0.05, stop))
            thread.start()
            try:
                yield scene, listening
            finally:
                stop.set()
                thread.join()


def until(look, seconds=15.0):
    """What ``look`` gives once that is true; what it gives at the end of the time otherwise."""
    import time

    end = time.monotonic() + seconds
    while not (found := look()) and time.monotonic() < end:
        time.sleep(0.02)
    return found
