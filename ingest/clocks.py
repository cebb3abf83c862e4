"""Tells when a sender's clock stands away from ours.

Late samples are no fault of a clock: a gateway that sends its history falls behind by amounts that change
from message to message, and sends what is new between. A clock that was set wrong is off by a steady
amount, message after message, with none that is on time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import structlog

log = structlog.get_logger(__name__)

# The four figures: common practice, no source.
AWAY_US: Final = 60_000_000
"""Source times further than this from their receipt may come of a clock that is wrong."""
STEADY_US: Final = 5_000_000
"""How far the difference may wander and still be the same; 4 % of the time below, so catching up is told apart."""
HOLD_US: Final = 120_000_000
"""How long it must have held."""
MESSAGES: Final = 10
"""How many messages must have told it."""


@dataclass(slots=True)
class _Seen:
    offset_us: int  # receive time less source time
    since_us: int
    messages: int = 1
    jumped: bool = False


class ClockWatch:
    """One small state for each skid whose last message was not on time, so bounded by the fleet file."""

    def __init__(self) -> None:
        self._away: dict[str, _Seen] = {}

    def jumped(self, skid: str, received_us: int, newest_us: int) -> bool:
        """Take note of a message's newest source time; True while the skid's clock counts as wrong."""
        offset_us = received_us - newest_us
        if -AWAY_US <= offset_us <= AWAY_US:
            gone = self._away.pop(skid, None) if self._away else None
            if gone is not None and gone.jumped:
                log.info("a sender's clock is right again", skid=skid)
            return False
        seen = self._away.get(skid)
        if seen is None or abs(offset_us - seen.offset_us) > STEADY_US:
            self._away[skid] = _Seen(offset_us, received_us)
            return False
        seen.messages += 1
        if not seen.jumped and seen.messages >= MESSAGES and received_us - seen.since_us >= HOLD_US:
            seen.jumped = True
            log.warning("a sender's clock is off: its samples are Uncertain", skid=skid, behind_s=offset_us / 1e6)
        return seen.jumped
