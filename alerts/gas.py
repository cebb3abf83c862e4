"""Is it known that a skid's gas detector is quiet? If not, nobody is sent there.

Looks at the latest sample of the tag with role ``gas_alarm``: any value but 0, a status that is not good, or a sample
that is too old means blocked. A skid without such a tag is not judged: site procedure alone says what holds there.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Final

import structlog

from skidhand.errors import SkidhandError
from skidhand.fleet import Fleet
from skidhand.model.quality import is_good
from skidhand.stores.base import Store

ROLE: Final = "gas_alarm"
STALE: Final = timedelta(minutes=10)
"""A gas signal that is older than this, or than three of its intervals, tells nothing. Common practice, no source."""

log = structlog.get_logger(__name__)


class GasWatch:
    """Answers for a skid; a store that can't be read is no reassurance either."""

    def __init__(
        self, store: Callable[[], Store], fleet: Callable[[], Fleet | None], now: Callable[[], datetime | None]
    ) -> None:
        self._store = store
        self._fleet = fleet
        self._now = now

    def __call__(self, skid: str) -> bool:
        """True when the alarm is on or nobody knows."""
        fleet, now = self._fleet(), self._now()
        found = fleet.skid(skid) if fleet else None
        if found is None or now is None:
            return False
        for tag in {unit.roles[ROLE] for unit in found.units if ROLE in unit.roles}:
            expected = found.instruments[tag].expected_s
            patience = max(STALE, timedelta(seconds=3 * expected)) if expected else STALE
            if self._blocked(f"{skid}/{tag}", now - patience):
                return True
        return False

    def _blocked(self, series: str, oldest: datetime) -> bool:
        try:
            rows = self._store().latest([series]).to_pylist()
        except SkidhandError as error:
            log.warning("the gas signal can't be read", series=series, why=str(error))
            return True
        if not rows:
            return True
        newest = rows[0]
        return bool(newest["time"] < oldest or newest["value"] != 0.0 or not is_good(newest["quality"]))
