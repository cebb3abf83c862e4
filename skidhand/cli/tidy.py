"""``skidhand tidy``: compact the store, roll up, seal days, apply retention."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import closing
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any

import typer

from skidhand.cli.options import (
    LogbookOption,
    SettingsOption,
    StoreOption,
    open_logbook,
    open_store,
    settings_from,
    talk,
)
from skidhand.errors import OutsideError, UserError

if TYPE_CHECKING:
    from skidhand.logbook import Logbook
    from skidhand.stores.base import Ages, Store


def command(
    follow: Annotated[bool, typer.Option("--follow/--once", help="Again every few minutes, or once.")] = False,
    every: Annotated[
        float, typer.Option("--every", min=1.0, metavar="SECONDS", help="Pause between (--follow).")
    ] = 300,
    verify: Annotated[
        bool, typer.Option("--verify", help="Change nothing: check counts, checksums and the log; exit 1 on a fault.")
    ] = False,
    settings_file: SettingsOption = None,
    store: StoreOption = None,
    logbook: LogbookOption = None,
) -> None:
    """Tidy the store. It may be stopped at any point and run again; nothing that was stored is lost.

    \b
    Example:
        skidhand tidy --follow --every 120
        skidhand tidy --verify
    """
    import structlog

    from skidhand import log
    from skidhand.cli.services import stop_event

    settings = settings_from(settings_file, store=store, logbook=logbook)
    log.set_up(settings.log, service="tidy", stream=sys.stdout if follow else sys.stderr)
    book, clock = open_logbook(settings)
    with book, closing(open_store(settings)) as samples:
        if verify:
            _verify(samples)
            return
        if not follow:
            now = clock.now()
            if now is None:
                raise UserError("the stream has announced no time yet; there is nothing to tidy")
            for line in samples.tidy(now=now, keep=_keep(samples, book, talk)):
                talk(line)
            return
        stop, logger = stop_event(), structlog.get_logger()
        while not stop.is_set():
            try:
                _tidy(samples, book, clock.now(), logger)
            except OutsideError as error:
                logger.error("store or logbook is away; trying again", error=str(error))
            stop.wait(every)


def _verify(samples: Store) -> None:
    faults = 0
    for fault in samples.verify():
        faults += 1
        typer.echo(fault)
    talk(f"{faults} faults" if faults else "sound: the log, every file, and each day's count and checksum")
    if faults:
        raise typer.Exit(1)


def _keep(samples: Store, book: Logbook, warn: Callable[[str], Any]) -> dict[str, Ages]:
    """How long each series of the fleet in force is kept; nothing where the store cannot, and then says so."""
    from skidhand.stores.retention import ages

    version = book.fleets.current()
    keep = ages(version.fleet) if version is not None else {}
    if keep and "retention" in samples.lacks:
        warn(f"the fleet's retention is not applied: {samples.lacks['retention']}")
        return {}
    return keep


def _tidy(samples: Store, book: Logbook, now: datetime | None, logger: Any) -> None:
    from skidhand import __version__
    from skidhand.cli.services import instance
    from skidhand.clock import WallClock
    from skidhand.model.heartbeat import Heartbeat

    steps = 0
    keep = _keep(samples, book, logger.warning)
    for line in samples.tidy(now=now, keep=keep) if now is not None else ():
        steps += 1
        logger.info("tidied", step=line)
    book.heartbeats.beat(
        Heartbeat(
            service="tidy",
            instance=instance(),
            at=WallClock().now(),
            version=__version__,
            figures={"steps": float(steps)},
            note="no time announced yet" if now is None else "",
        )
    )
