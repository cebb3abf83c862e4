"""Keeps the services of one host running: starts them, restarts what ends, stops them in order.

A service that ends, however it ends, is started again after a delay that doubles up to a limit, with a
random part, so that a broken one neither spins nor returns in step with others. SIGTERM or SIGINT stops
them one after the other in the order in which data flows, so that each finds what the one before it
left. A child gets a session of its own: Ctrl-C reaches it through us, in its turn.
"""

from __future__ import annotations

import asyncio
import random
import signal
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

import structlog

GRACE_S: Final = 30.0
FIRST_DELAY_S: Final = 1.0
LONGEST_DELAY_S: Final = 60.0


@dataclass(frozen=True, slots=True)
class Child:
    """One service: its name in the log, and the command that is it."""

    name: str
    command: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Patience:
    """How long we wait, in seconds: for a stop before we kill, and before a restart.

    A child that ran for ``longest_delay`` counts as well again: its next delay is the first one.
    """

    grace: float = GRACE_S
    first_delay: float = FIRST_DELAY_S
    longest_delay: float = LONGEST_DELAY_S

    def delay(self, failures: int) -> float:
        """Seconds before restart number ``failures`` (from 1): between half and all of the doubling delay."""
        full = min(self.longest_delay, self.first_delay * 2.0 ** min(failures - 1, 32))
        return full * random.uniform(0.5, 1.0)


@dataclass(slots=True)
class _Kept:
    child: Child
    task: asyncio.Task[None] | None = None
    process: asyncio.subprocess.Process | None = None


class Supervisor:
    """Runs ``children``, in the order in which data flows, until it is told to stop."""

    def __init__(self, children: Sequence[Child], patience: Patience) -> None:
        self._kept = [_Kept(child) for child in children]
        self._patience = patience
        self._log = structlog.get_logger()
        self._stop = asyncio.Event()

    def stop(self) -> None:
        """Begin the ordered stop; a second call changes nothing."""
        self._stop.set()

    async def run(self) -> None:
        """Start all, keep them running, and return when all are gone after :meth:`stop`."""
        for kept in self._kept:
            kept.task = asyncio.create_task(self._keep(kept))
        await self._stop.wait()
        for kept in self._kept:
            await self._end(kept)

    async def _keep(self, kept: _Kept) -> None:
        failures = 0
        now = asyncio.get_running_loop().time
        while not self._stop.is_set():
            started = now()
            code = await self._once(kept)
            if self._stop.is_set():
                break
            failures = 1 if now() - started >= self._patience.longest_delay else failures + 1
            delay = self._patience.delay(failures)
            self._log.warning("service ended", child=kept.child.name, code=code, restart_in_s=round(delay, 2))
            with suppress(TimeoutError):
                await asyncio.wait_for(self._stop.wait(), delay)

    async def _once(self, kept: _Kept) -> int | None:
        try:
            kept.process = await asyncio.create_subprocess_exec(*kept.child.command, start_new_session=True)
        except OSError as error:
            self._log.error("service cannot start", child=kept.child.name, error=str(error))
            return None
        self._log.info("service started", child=kept.child.name, pid=kept.process.pid)
        return await kept.process.wait()

    async def _end(self, kept: _Kept) -> None:
        # The process may be just starting, so the task is awaited, not only the process.
        while kept.task is not None and not kept.task.done():
            process = kept.process
            if process is not None and process.returncode is None:
                with suppress(ProcessLookupError):
                    process.terminate()
                with suppress(TimeoutError):
                    await asyncio.wait_for(process.wait(), self._patience.grace)
                if process.returncode is None:
                    self._log.error("service did not stop, killed", child=kept.child.name, pid=process.pid)
                    process.kill()
            await asyncio.wait({kept.task}, timeout=0.1)
        if kept.task is not None:
            kept.task.result()
        code = kept.process.returncode if kept.process else None
        self._log.info("service stopped", child=kept.child.name, code=code)


def supervise(children: Sequence[Child], patience: Patience = Patience()) -> None:
    """Run ``children`` until SIGTERM or SIGINT, then stop them one after the other in this order."""

    async def watched() -> None:
        supervisor = Supervisor(children, patience)
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, supervisor.stop)
        await supervisor.run()

    asyncio.run(watched())
