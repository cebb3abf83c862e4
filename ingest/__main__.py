"""``python -m ingest FLEET SPOOL STORE LOGBOOK HOST:PORT [wall|stream]``: ingest alone, until SIGTERM."""

from __future__ import annotations

import signal
import sys
from typing import Final, cast

from ingest.broker import BrokerSettings
from ingest.service import IngestService
from skidhand.clock import ClockKind
from skidhand.errors import SettingsError, SkidhandError
from skidhand.fleet import load_fleet
from skidhand.stores import open_store

WITHOUT_CLOCK: Final = 5


def main(arguments: list[str]) -> int:
    """Run ingest; the exit code."""
    if len(arguments) not in (WITHOUT_CLOCK, WITHOUT_CLOCK + 1) or not arguments[4].rpartition(":")[2].isdecimal():
        sys.stderr.write(f"{__doc__}\n")
        return SettingsError.exit_code
    fleet, spool, store, logbook, address, *clock = arguments
    host, _, port = address.rpartition(":")
    try:
        service = IngestService(
            broker=BrokerSettings(host=host, port=int(port)),
            spool_path=spool,
            store=open_store(store),
            logbook=logbook,
            fleet=load_fleet(fleet),
            clock_kind=cast(ClockKind, clock[0] if clock else "wall"),
            drain_interval_s=0.2,
        )
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: service.request_stop())
        service.start()
        service.run_forever()
    except SkidhandError as error:
        sys.stderr.write(f"{error}\n")
        return error.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
