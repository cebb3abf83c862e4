"""Processes of our own that live at once: forked from one that has imported all that they need."""

from __future__ import annotations

from multiprocessing import get_context
from multiprocessing.context import ForkServerContext
from typing import Final

_IMPORTED: Final = ["ingest.__main__", "skidhand.stores.lake", "tests.ingest.support", "tests.stores.spool_process"]


def context() -> ForkServerContext:
    """The one context for all tests of a run: the first who asks starts the server that all are forked from."""
    made = get_context("forkserver")
    made.set_forkserver_preload(_IMPORTED)
    return made
