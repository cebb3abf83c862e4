"""A process of its own that drains batches into a store (a path is a lake), or tidies it, until killed or done.

``python -m tests.stores.spool_process write PATH WRITER COUNT`` writes batches 1 to COUNT as a spool would:
one after the other from the last that it knows to have landed less one (which it sends again); it says
``acknowledged N`` after each. ``python -m tests.stores.spool_process tidy PATH`` tidies without end.
"""

from __future__ import annotations

import sys
from datetime import timedelta

from skidhand.stores import open_store
from tests.stores.support import START, Row, batch

SERIES = 20


def rows_of(writer: str, number: int) -> list[Row]:
    """Twenty samples at one time; every third batch belongs to the day before (late)."""
    time = number * 10.0 - (86_400 if number % 3 == 0 else 0)
    return [(f"{writer}/FT-{k}", time, number + k / 100, 0, number * 10.0 + 1) for k in range(SERIES)]


def drain(path: str, writer: str, count: int) -> None:
    """Write what has not landed, and once more the last that has."""
    store = open_store(path)
    last = store.landed(writer)
    for number in range(max(1, last.number) if last else 1, count + 1):
        store.write(batch(number, rows_of(writer, number), writer=writer))
        print(f"acknowledged {number}", flush=True)  # noqa: T201 - what the parent waits for


def tidy(path: str) -> None:
    """Tidy again and again; the days are open, then over."""
    store = open_store(path)
    for round_ in range(1_000_000):
        print("tidying", flush=True)  # noqa: T201 - what the parent waits for
        for _ in store.tidy(now=START + timedelta(days=round_ % 2 * 3)):
            pass


if __name__ == "__main__":
    verb, *rest = sys.argv[1:]
    if verb == "tidy":
        tidy(*rest)
    else:
        drain(rest[0], rest[1], int(rest[2]))
