"""``skidhand run``: all services of one host, supervised."""

from __future__ import annotations

import sys
from collections.abc import Mapping

from skidhand.cli.options import (
    BrokerOption,
    FleetOption,
    LogbookOption,
    SettingsOption,
    SpoolOption,
    StoreOption,
    settings_from,
)

SERVICES = (("ingest",), ("analyze", "--follow"), ("alerts", "--follow"), ("tidy", "--follow"),
            ("report", "--follow"), ("board",))  # fmt: skip
"""In the order in which data flows, which is the order of the stop."""

NEEDS = {
    "ingest": ("--settings", "--store", "--logbook", "--spool", "--broker", "--fleet"),
    "analyze": ("--settings", "--store", "--logbook"),
    "alerts": ("--settings", "--logbook"),
    "tidy": ("--settings", "--store", "--logbook"),
    "report": ("--settings", "--store", "--logbook"),
    "board": ("--settings", "--store", "--logbook"),
}
"""The options that each service takes from ours."""


def command(
    settings_file: SettingsOption = None,
    store: StoreOption = None,
    logbook: LogbookOption = None,
    spool: SpoolOption = None,
    broker: BrokerOption = None,
    fleet: FleetOption = None,
) -> None:
    """Run ingest, analysis, alerts, tidying, reports and the board on this host until told to stop.

    What ends is started again; SIGTERM or Ctrl-C stops all in order. Put the fleet file in force first.

    \b
    Example:
        skidhand run --broker localhost:1883
    """
    from skidhand import log, supervise

    settings = settings_from(settings_file, store=store, logbook=logbook, spool=spool, broker=broker, fleet=fleet)
    log.set_up(settings.log, service="run")
    given = {
        "--settings": settings_file,
        "--store": store,
        "--logbook": logbook,
        "--spool": spool,
        "--broker": broker,
        "--fleet": fleet,
    }
    program = (sys.executable, "-m", "skidhand.cli")
    supervise.supervise(
        [supervise.Child(words[0], (*program, *words, *_passed_on(words[0], given))) for words in SERVICES]
    )


def _passed_on(service: str, given: Mapping[str, object]) -> tuple[str, ...]:
    return tuple(word for name in NEEDS[service] if given[name] is not None for word in (name, str(given[name])))
