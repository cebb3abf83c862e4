"""The fleet version in force, as ingest knows it: the logbook's newest, or the last that could be had."""

from __future__ import annotations

import structlog

from ingest.link import LogbookLink
from ingest.lookup import Lookup, build_lookup
from ingest.spool import Spool, SpoolError
from skidhand.errors import FleetFileError, LogbookError
from skidhand.fleet import FleetVersion, parse_fleet

log = structlog.get_logger(__name__)


class FleetWatch:
    """``given`` is in force until the logbook has a version; without either, the one last used with ``spool``."""

    def __init__(self, link: LogbookLink, spool: Spool, given: FleetVersion | None) -> None:
        self._link, self._spool, self._given = link, spool, given
        self._digest = ""
        self.lookup: Lookup | None = None
        self.trouble = ""  # why the logbook gives no fleet, empty when all is well

    def refresh(self) -> None:
        """Take the newest version; while the logbook has none, is away or its file is bad, keep the old."""
        version = self._given if self.lookup is None else None
        try:
            fleets = self._link.book().fleets
            if (digest := fleets.digest()) is not None and digest != self._digest:
                version = fleets.current()
            self.trouble = ""
        except (LogbookError, FleetFileError) as error:
            self.trouble = str(error)
            log.warning("the logbook gives no fleet, the old one stays in force", reason=str(error))
        if version is None and self.lookup is None and (text := self._spool.fleet_text) is not None:
            version = parse_fleet(text, "the fleet file last used with this spool")
        if version is not None:
            self.lookup, self._digest = build_lookup(version), version.digest
            try:
                self._spool.remember_fleet(version.text)
            except SpoolError as error:
                log.warning("the fleet is not remembered for a start without the logbook", reason=str(error))
            log.info("fleet in force", fleet=version.fleet.fleet, digest=version.digest[:12])
