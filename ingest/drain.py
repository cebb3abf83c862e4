"""Brings what is spooled into the store, exactly once: the batch's number and digest travel with the commit."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime
from typing import Final

import pyarrow as pa
import structlog

from ingest.backoff import Backoff
from ingest.spool import Spool
from ingest.spool_rows import Row
from skidhand.clock import ClockKind
from skidhand.errors import LogbookError, OutsideError, StoreRefusedError
from skidhand.model.samples import moment
from skidhand.stores.base import Batch, Store

MAX_SAMPLES: Final = 50_000
"""Samples in one commit: some 3 MB as Arrow, and many times that while the store writes them."""

MAX_ROWS: Final = 100_000
"""Rows of the spool in one commit; rather a figure to come down from than a limit."""

log = structlog.get_logger(__name__)


class Drain:
    """Moves rows of ``spool`` to ``store`` every ``interval_s``; ``announce`` tells the stream's time onwards.

    A stream time is announced only when all samples before it are in the store, so that nobody acts on a
    time whose samples he cannot read yet. :meth:`step` raises what the store raises.

    Rows that the store refuses block no others: what is refused is tried in ever smaller parts, a single
    row goes behind the rest, and is cut in two once the store has taken others since (while it takes
    nothing at all, the fault is not the row's). A single sample that is still refused is set aside in the
    spool, told, and tried again at the next start.
    """

    def __init__(
        self,
        *,
        spool: Spool,
        store: Store,
        clock_kind: ClockKind,
        announce: Callable[[datetime], None],
        interval_s: float = 2.0,
        max_samples: int = MAX_SAMPLES,
        backoff: Backoff | None = None,
    ) -> None:
        self._spool, self._store, self._kind, self._announce = spool, store, clock_kind, announce
        self._interval_s, self._max_samples = interval_s, max_samples
        self._backoff = backoff or Backoff(0.5, 60.0)
        self._agreed = False
        self._announced_us = 0
        self._most_rows = MAX_ROWS  # in one commit; fewer after a refusal, to find the row at fault
        self._suspects: dict[int, int] = {}  # number of a postponed row → commits when it was refused
        self._commits = 0
        self._wake = threading.Event()
        self.stored = 0  # samples committed by this process
        self.trouble = ""  # why the store gets nothing now, empty when all is well

    def step(self) -> bool:
        """One commit at most; True when more waited than one may hold.

        Raises OutsideError when the store is away, IntegrityError when going on would do damage.
        """
        rows: list[Row] = []
        try:
            if not self._agreed:
                self._agree()
            rows = self._spool.waiting(self._max_samples, self._most_rows)
            more = len(rows) < self._spool.depth().rows
            if rows:
                self._commit(rows)
        except StoreRefusedError as error:
            self._look_closer(rows, error)
            raise
        except OutsideError:
            # Whether the commit landed is unknown now, and the next one may hold more rows: ask first.
            self._agreed = False
            raise
        self._pass_on_time()
        return more

    def _agree(self) -> None:
        """Fix the store's clock, and forget rows that it holds from before a kill; once, try anew what was aside."""
        self._store.set_clock(self._kind)
        if forgotten := self._spool.reconcile(self._store.landed(self._spool.writer)):
            log.info("the store held batches already", rows=forgotten)
        if not self._commits and (brought := self._spool.aside.bring_back()):
            log.info("samples that the store refused before are tried again", samples=brought)
        self._agreed = True

    def _look_closer(self, rows: list[Row], error: StoreRefusedError) -> None:
        """After a refusal of ``rows``, whose numbers have not landed: make the next try a smaller one."""
        if len(rows) != 1:
            self._most_rows = max(1, len(rows) // 2)
            return
        (row,) = rows
        refused_at = self._suspects.pop(row.number, None)
        if refused_at is None or refused_at == self._commits:
            pieces = 1  # it may be that the store takes nothing at all
        elif row.samples > 1:
            pieces = 2
        else:
            log.error("the store takes others, and not this sample: set aside", reason=str(error))
            self._spool.aside.keep(row, str(error))
            return
        at = self._commits if refused_at is None else refused_at
        self._suspects |= dict.fromkeys(self._spool.aside.postpone(row, pieces), at if pieces == 1 else self._commits)

    def _commit(self, rows: list[Row]) -> None:
        last = rows[-1]
        tables = [row.table() for row in rows if row.samples]
        if tables:
            samples = pa.concat_tables(tables)
            if self._store.write(Batch(self._spool.writer, last.number, last.digest, samples)):
                self.stored += len(samples)
            self._commits += 1
        self._spool.remove(last, written=bool(tables))
        self._most_rows = min(MAX_ROWS, 2 * self._most_rows)

    def _pass_on_time(self) -> None:
        due_us = self._spool.announce_due_us
        if self._kind != "stream" or due_us is None or due_us <= self._announced_us:
            return
        try:
            self._announce(moment(due_us))
        except LogbookError as error:
            log.warning("stream time not passed on, trying again", reason=str(error))
        else:
            self._announced_us = due_us

    def idle(self) -> bool:
        """True when nothing waits, neither samples nor a time to pass on."""
        due_us = self._spool.announce_due_us if self._kind == "stream" else None
        return self._spool.depth().rows == 0 and (due_us or 0) <= self._announced_us

    def hurry(self) -> None:
        """Do not wait for the interval this time."""
        self._wake.set()

    def run(self, stop: threading.Event) -> None:
        """Drain until ``stop``; failures of the store are waited out, with growing delays."""
        while not stop.is_set():
            delay = self._try()
            self._wake.wait(delay)
            self._wake.clear()

    def _try(self) -> float:
        """One step; seconds to wait before the next."""
        try:
            more = self.step()
        except OutsideError as error:
            if not self.trouble:
                refused = isinstance(error, StoreRefusedError)
                what = "the store refuses samples" if refused else "the store is away"
                log.error(f"{what}, they wait in the spool", reason=str(error))
            self.trouble = str(error)
            return self._backoff.next()
        if self.trouble:
            log.info("the store takes samples again")
        self.trouble = ""
        self._backoff.reset()
        return 0.0 if more else self._interval_s
