"""``python -m ingest FLEET SPOOL STORE LOGBOOK HOST:PORT [wall|stream [GROUP]]``: ingest alone, until SIGTERM.

Workers of one GROUP share the messages; each has a spool of its own, whose file name is the worker's name.
"""

from __future__ import annotations

import signal
import sys
from pathlib import Path
from typing import Final, cast

from ingest.broker import BrokerSettings
from ingest.lean import without_pandas
from ingest.service import IngestService
from skidhand.clock import ClockKind
from skidhand.errors import SettingsError, SkidhandError
from skidhand.fleet import load_fleet
from skidhand.stores import open_store

NEEDED: Final = 5
DEFAULTS: Final = ("wall", "")  # of what may follow: clock, group


def main(arguments: list[str]) -> int:
    """Run ingest; the exit code."""
    given = len(arguments) - NEEDED
    if not 0 <= given <= len(DEFAULTS) or not arguments[4].rpartition(":")[2].isdecimal():
        sys.stderr.write(f"{__doc__}\n")
        return SettingsError.exit_code
    fleet, spool, store, logbook, address, clock, group = *arguments, *DEFAULTS[given:]
    host, _, port = address.rpartition(":")
    without_pandas()
    try:
        service = IngestService(
            broker=BrokerSettings(host=host, port=int(port), group=group or None),
            spool_path=spool,
            store=open_store(store),
            logbook=logbook,
            fleet=load_fleet(fleet),
            clock_kind=cast(ClockKind, clock),
            instance=Path(spool).stem if group else None,
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
