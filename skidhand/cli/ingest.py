"""``skidhand ingest``: the service from the broker to the store."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Final

import typer

from skidhand.cli.options import (
    BrokerOption,
    FleetOption,
    LogbookOption,
    SettingsOption,
    SpoolOption,
    StoreOption,
    settings_from,
    talk,
)
from skidhand.errors import NotFoundError, UserError

CONNECT_S: Final = 30.0
"""How long a retirement waits for the broker before it says that it is away."""


def command(
    settings_file: SettingsOption = None,
    broker: BrokerOption = None,
    spool: SpoolOption = None,
    store: StoreOption = None,
    logbook: LogbookOption = None,
    fleet: FleetOption = None,
    metrics: Annotated[
        str | None,
        typer.Option("--metrics", metavar="[HOST:]PORT", help="Serve Prometheus metrics; a port alone: to this host."),
    ] = None,
    drain: Annotated[
        str | None,
        typer.Option("--drain", metavar="ID", help="Retire this worker: empty its spool and its session, and end."),
    ] = None,
    lost: Annotated[
        bool, typer.Option("--lost", help="With --drain: its spool is lost for good; fetch what the broker kept.")
    ] = False,
) -> None:
    """Take samples from the broker into the store, until told to stop.

    A message is acknowledged only when its samples are on disk in the spool; while the store is away
    they wait there. What cannot be taken is counted by reason: see 'skidhand doctor', which also lists the
    workers by their ids. A worker that is taken away for good is retired with --drain: what waits in its spool
    and in its session at the broker goes to the store, and the session is ended.

    \b
    Example:
        skidhand ingest --broker localhost:1883
        skidhand ingest --drain 1f0c9a7be2d4
    """
    from ingest.broker import BrokerSettings
    from ingest.lean import without_pandas
    from ingest.metrics import MetricsServer
    from ingest.service import IngestService
    from ingest.sparkplug.settings import SparkplugSettings
    from skidhand import log, stores
    from skidhand.cli.services import connection, on_stop
    from skidhand.fleet import load_fleet

    if lost and drain is None:
        raise UserError("--lost belongs to --drain ID")
    settings = settings_from(settings_file, broker=broker, spool=spool, store=store, logbook=logbook, fleet=fleet)
    log.set_up(settings.log, service="ingest")
    without_pandas()
    path, worker = (settings.spool_file, None) if drain is None else _spool_of(drain, settings.spool_file, lost=lost)
    with_sparkplug = settings.sparkplug.on and drain is None
    service = IngestService(
        broker=BrokerSettings(
            **connection(settings.broker), protocol=settings.broker.protocol, group=settings.broker.group
        ),
        spool_path=path,
        worker=worker,
        store=stores.open_store(settings.store),
        logbook=settings.logbook,
        fleet=load_fleet(settings.fleet) if settings.fleet is not None else None,
        clock_kind=settings.clock,
        sparkplug=SparkplugSettings(**settings.sparkplug.model_dump(exclude={"on"})) if with_sparkplug else None,
        leaving=drain is not None,
    )
    on_stop(service.request_stop)
    if drain is None:
        address = metrics or settings.metrics
        served = MetricsServer(address, service.stats) if address else None
        try:
            service.start()
            service.run_forever()
        finally:
            if served is not None:
                served.close()
        return
    service.start(wait_connected_s=CONNECT_S)
    known = service.retire()
    done = service.stats()
    session = f"{done.messages:,} messages from its session, which is ended" if known else "the broker knew no session"
    talk(f"Worker {drain} is retired: {done.stored:,} samples brought to the store; {session}. Spool {path} is empty.")


def _spool_of(worker: str, configured: Path, *, lost: bool) -> tuple[Path, str | None]:
    """The spool of ``worker``: the configured one, or one beside it; a new one when its own is ``lost``."""
    from ingest.peek import worker_of

    if re.fullmatch(r"[0-9a-f]{12}", worker) is None:
        raise UserError(f"--drain {worker!r} is no worker's id (twelve of 0-9 a-f, as 'skidhand doctor' lists them)")
    found = {path: worker_of(path) for path in sorted({configured, *configured.parent.glob("*.db")})}
    for path, owner in found.items():
        if owner == worker:
            return path, None
    if lost:
        return configured.with_name(f"{worker}.db"), worker
    there = ", ".join(f"{owner} ({path})" for path, owner in found.items() if owner) or "none"
    raise NotFoundError(
        f"no spool of worker {worker} at {configured} or beside it; there is: {there}. Name its spool with --spool; "
        f"if that is lost for good, --lost fetches what the broker still keeps"
    )
