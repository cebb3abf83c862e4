"""The parts of a large report, in several processes: each opens the store anew by its URL and only reads."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from typing import Final

from analytics.report_figures import SkidFigures
from skidhand.stores import open_store
from skidhand.stores.base import Store

Task = Callable[[Store], SkidFigures]
FEW: Final = 8
"""Tasks that are not worth a process: one takes a second or two to begin."""

MOST: Final = 8
"""Processes at the most; each holds some 300 MB."""

_store: Store | None = None


def run(store: Store, url: str | None, tasks: Sequence[Task]) -> Iterator[SkidFigures]:
    """The figures of each task, in their order. Without ``url`` (another process cannot open it) all are made here."""
    jobs = min(os.cpu_count() or 1, MOST, len(tasks) // FEW)
    if url is None or jobs < 2:
        yield from (task(store) for task in tasks)
        return
    with ProcessPoolExecutor(jobs, get_context("spawn"), partial(_open, url)) as pool:
        yield from pool.map(_do, tasks)


def _open(url: str) -> None:
    global _store  # a process of the pool keeps its store for its life
    _store = open_store(url)


def _do(task: Task) -> SkidFigures:
    assert _store is not None
    return task(_store)
