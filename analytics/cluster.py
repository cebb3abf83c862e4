"""The analysis of a fleet on a Dask cluster: each task is the cycle of one process, for a part of the skids.

Only names travel. A task opens store and logbook itself and takes the leases of its skids, so that no skid has two
analysers whatever happens: a task that is run twice, a worker that was taken for dead, another cluster beside.
"""

from __future__ import annotations

import logging
import os
import socket
import threading
from collections.abc import Collection, Sequence
from concurrent.futures import CancelledError
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from analytics.follow import Summary, follow, together
from analytics.segments import skids_of
from analytics.service import Analyzer
from skidhand.clock import ClockKind
from skidhand.errors import OutsideError, UserError
from skidhand.logbook import Logbook
from skidhand.stores import open_store

MOST: Final = 50  # skids in a task: what one that fails must do again, and what one read brings into memory


@dataclass(frozen=True)
class Place:
    """Where the data lie, as every worker can reach them. Not shown: the URLs may hold passwords."""

    store: str = field(repr=False)
    logbook: str = field(repr=False)
    clock: ClockKind

    @classmethod
    def of(cls, store: str, logbook: str, clock: ClockKind) -> Place:
        """With paths made whole, for a worker may run in another folder."""
        return cls(_whole(store), _whole(logbook), clock)


class Cluster:
    """Analyses the fleet on the workers at ``address``: a scheduler's address, or ``local:N`` for N own processes.

    Raises UserError without the extra ``dask`` or for an address that is none, OutsideError when it is away.
    """

    def __init__(self, address: str, place: Place, logbook: Logbook, *, owner: str) -> None:
        self._place, self._logbook, self._owner = place, logbook, owner
        self._asked: dict[str, datetime] = {}
        self._address, self._client = address, _client(address)

    def run_once(self) -> Summary:
        """One cycle of every skid; OutsideError when a part of them failed, the others' work stands."""
        from distributed import KilledWorker

        if self._client.status == "closed":  # it gave the scheduler up for lost
            self._client = _client(self._address)
        try:
            summary = self._cycle(skids_of(self._logbook.fleets.versions()))
        except (KilledWorker, CancelledError, OSError) as error:
            raise OutsideError(f"the cluster lost a part of the work: {error}") from error
        self._asked = {skid: to for skid, to in self._asked.items() if skid in summary.not_ours}
        return summary

    def _cycle(self, skids: Sequence[str]) -> Summary:
        from distributed import wait

        threads = sum(self._client.nthreads().values())
        if not threads:
            raise OutsideError(f"the cluster at {self._client.scheduler_info()['address']} has no workers")
        parts = max(threads, -(-len(skids) // MOST))
        tasks = [
            self._client.submit(analyze_part, self._place, part, self._asked, pure=False)
            for part in (tuple(skids[i::parts]) for i in range(parts))
            if part
        ]
        wait(tasks)
        return together(self._client.gather(tasks))

    def follow(self, interval_s: float, stop: threading.Event) -> None:
        """Cycle after cycle until ``stop`` is set, with a heartbeat each; waits out what is away."""
        follow(self.run_once, self._logbook, self._owner, interval_s, stop)
        self.release()

    def rewind(self, skid: str, to: datetime) -> None:
        """On request: the next cycle works ``skid`` through again from ``to`` on, however old that is."""
        self._asked[skid] = to

    def release(self) -> None:
        """Let go of the workers, and end those that are our own."""
        own = self._client.cluster
        self._client.close()
        if own is not None:
            own.close()


def analyze_part(place: Place, skids: Collection[str], asked: dict[str, datetime]) -> Summary:
    """On a worker: one cycle of ``skids``, their leases taken for as long as it lasts."""
    analyzer = _opened(place, threading.get_ident())
    for skid in asked.keys() & set(skids):
        analyzer.rewind(skid, asked[skid])
    try:
        return analyzer.run_once(skids)
    finally:
        analyzer.release()


@lru_cache(maxsize=64)
def _opened(place: Place, thread: int) -> Analyzer:
    """Kept open from cycle to cycle, one for each thread of the worker: neither store nor memory is shared."""
    store, logbook = open_store(place.store), Logbook(place.logbook)
    store.set_clock(place.clock)
    owner = f"{socket.gethostname()}:{os.getpid()}:{thread}"
    return Analyzer(store, logbook, clock=logbook.open_clock(place.clock), owner=owner)


def _client(address: str) -> Any:
    try:
        from distributed import Client, LocalCluster
    except ImportError as error:
        raise UserError("--cluster needs the extra 'dask': pip install 'skidhand[dask]'") from error
    kind, _, count = address.partition(":")
    try:
        if kind != "local":
            return Client(address)
        if not count.isdecimal() or not int(count):
            raise UserError(f"--cluster {address!r} is not local:N with N worker processes, for example 'local:4'")
        logging.getLogger("distributed").setLevel(logging.ERROR)  # it tells of each start and end of its parts
        # Port 0: its page may stand anywhere, for the usual port may be another cluster's.
        return Client(LocalCluster(n_workers=int(count), threads_per_worker=1, dashboard_address="127.0.0.1:0"))
    except ValueError as error:
        raise UserError(f"--cluster {address!r} is no address, for example 'tcp://host:8786': {error}") from error
    except OSError as error:
        raise OutsideError(f"no Dask scheduler answers at {address!r}: {error}") from error


def _whole(name: str) -> str:
    return name if "://" in name else str(Path(name).expanduser().absolute())
