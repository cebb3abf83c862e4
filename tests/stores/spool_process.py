"""A process of its own that drains batches into a store (a path is a lake), or tidies it, until killed or done."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from datetime import timedelta
from multiprocessing.connection import Connection

from skidhand.stores import open_store
from tests.stores.support import START, Row, batch
from tests.support.forks import context

PATIENCE_S = 120

Say = Callable[[str], None]

SERIES = 20


def rows_of(writer: str, number: int) -> list[Row]:
    """Twenty samples at one time; every third batch belongs to the day before (late)."""
    time = number * 10.0 - (86_400 if number % 3 == 0 else 0)
    return [(f"{writer}/FT-{k}", time, number + k / 100, 0, number * 10.0 + 1) for k in range(SERIES)]


def write(say: Say, url: str, writer: str, count: int) -> None:
    """Write what has not landed, and once more the last that has, as a spool would; ``acknowledged N`` after each."""
    store = open_store(url)
    last = store.landed(writer)
    for number in range(max(1, last.number) if last else 1, count + 1):
        store.write(batch(number, rows_of(writer, number), writer=writer))
        say(f"acknowledged {number}")


def tidy(say: Say, url: str) -> None:
    """Tidy again and again; the days are open, then over."""
    store = open_store(url)
    for round_ in range(1_000_000):
        say("tidying")
        for _ in store.tidy(now=START + timedelta(days=round_ % 2 * 3)):
            pass


class SpoolProcess:
    """Runs ``work`` (:func:`write` or :func:`tidy`) with these arguments after ``say``; killed when a ``with`` ends."""

    def __init__(self, work: Callable[..., None], *arguments: object) -> None:
        forked = context()
        self._heard, theirs = forked.Pipe(duplex=False)
        self.process = forked.Process(target=_run, args=(theirs, work, arguments, dict(os.environ)))
        self.process.start()
        theirs.close()

    def __enter__(self) -> SpoolProcess:
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()
        self._heard.close()

    def hear(self) -> str:
        """What it says next; empty when it has ended."""
        try:
            return str(self._heard.recv())
        except (EOFError, OSError):  # the second: killed within a word
            return ""

    def rest(self) -> Iterator[str]:
        """All that it says until its end."""
        return iter(self.hear, "")

    def kill(self) -> None:
        """End it as a power cut would."""
        self.process.kill()
        self.process.join(PATIENCE_S)

    def finish(self) -> None:
        """Wait for its end and see that it ended well."""
        list(self.rest())
        self.process.join(PATIENCE_S)
        assert self.process.exitcode == 0


def _run(told: Connection, work: Callable[..., None], arguments: tuple[object, ...], env: dict[str, str]) -> None:
    os.environ.update(env)  # what the test has set since the server was started
    work(told.send, *arguments)
