"""Is skidhand itself blind or dumb? Then somebody hears of it, by a prompt like any other.

Seen from heartbeats (wall time): ingest or analysis is silent, no skid has sent anything, a channel hands nothing
over any more. What alerts cannot see, its own death, is for somebody outside to watch: see ``deadman``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import Final

from alerts.intake import Intake
from alerts.lifecycle import CLEARED, RETURNED
from skidhand.logbook.prompt_work import PromptWork
from skidhand.model.heartbeat import Heartbeat

SILENT: Final[Mapping[str, timedelta]] = MappingProxyType(
    {"ingest": timedelta(minutes=2), "analyze": timedelta(minutes=10)}
)
"""Services that beat every few seconds, or every tick; so long without is blindness. Common practice, no source."""
NOTHING_SENT: Final = timedelta(minutes=15)
DUMB_AFTER: Final = 5
"""A channel that failed so often in a row hands nothing over any more."""
BLIND: Final = "blind:"


def blind_spots(beats: Sequence[Heartbeat], failures: Mapping[str, int], now: datetime) -> dict[str, str]:
    """What is blind or dumb, by name, with what is the matter. A service that never ran here is not missed."""
    found: dict[str, str] = {}
    for service, patience in SILENT.items():
        newest = max((beat.at for beat in beats if beat.service == service), default=None)
        if newest is not None and now - newest > patience:
            found[service] = f"{service} silent since {newest:%H:%M}Z"
    seen = [moment for beat in beats if beat.service == "ingest" for moment in beat.last_seen.values()]
    if seen and "ingest" not in found and now - max(seen) > NOTHING_SENT:
        found["data"] = f"no skid sent anything since {max(seen):%H:%M}Z"
    for channel, count in failures.items():
        if count >= DUMB_AFTER:
            found[f"channel {channel}"] = f"channel {channel} hands nothing over"
    return found


class Watch:
    """Raises a prompt for each blind spot, and ends it when it sees again."""

    def __init__(self) -> None:
        self.spots: dict[str, str] = {}

    def look(self, beats: Sequence[Heartbeat], failures: Mapping[str, int], now: datetime) -> None:
        """Find what is blind now (wall time); :meth:`report` tells it."""
        self.spots = blind_spots(beats, failures, now)

    def report(self, book: PromptWork, intake: Intake) -> None:
        """Bring the prompts in line with what :meth:`look` found."""
        standing = {
            prompt.about.removeprefix(BLIND): prompt
            for prompt in book.open_on([""], [""])
            if prompt.about is not None and prompt.about.startswith(BLIND) and prompt.state != CLEARED
        }
        for name, what in self.spots.items():
            if name not in standing or standing[name].state == RETURNED:
                intake.raise_about(f"{BLIND}{name}", skid="", site="", unit=what, title=f"skidhand is blind: {what}")
        for name, prompt in standing.items():
            if name not in self.spots and prompt.state != RETURNED:
                intake.over(prompt, "it is back")
