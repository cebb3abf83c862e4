"""``skidhand ingest``: the service from the broker to the store."""

from __future__ import annotations

from skidhand.cli.options import (
    BrokerOption,
    FleetOption,
    LogbookOption,
    SettingsOption,
    SpoolOption,
    StoreOption,
    settings_from,
)


def command(
    settings_file: SettingsOption = None,
    broker: BrokerOption = None,
    spool: SpoolOption = None,
    store: StoreOption = None,
    logbook: LogbookOption = None,
    fleet: FleetOption = None,
) -> None:
    """Take samples from the broker into the store, until told to stop.

    A message is acknowledged only when its samples are on disk in the spool; while the store is away
    they wait there. What cannot be taken is counted by reason: see 'skidhand doctor'.

    \b
    Example:
        skidhand ingest --broker localhost:1883
    """
    from ingest.broker import BrokerSettings
    from ingest.service import IngestService
    from ingest.sparkplug.settings import SparkplugSettings
    from skidhand import log, stores
    from skidhand.cli.services import connection, on_stop
    from skidhand.fleet import load_fleet

    settings = settings_from(settings_file, broker=broker, spool=spool, store=store, logbook=logbook, fleet=fleet)
    log.set_up(settings.log, service="ingest")
    service = IngestService(
        broker=BrokerSettings(
            **connection(settings.broker), protocol=settings.broker.protocol, group=settings.broker.group
        ),
        spool_path=settings.spool_file,
        store=stores.open_store(settings.store),
        logbook=settings.logbook,
        fleet=load_fleet(settings.fleet) if settings.fleet is not None else None,
        clock_kind=settings.clock,
        sparkplug=SparkplugSettings(**settings.sparkplug.model_dump(exclude={"on"})) if settings.sparkplug.on else None,
    )
    on_stop(service.request_stop)
    service.start()
    service.run_forever()
