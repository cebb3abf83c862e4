"""How long each series of a fleet is kept, from the classes that its file gives."""

from __future__ import annotations

from skidhand.fleet.model import Fleet
from skidhand.fleet.retention import DEFAULT
from skidhand.model.samples import series_id
from skidhand.stores.base import Ages


def ages(fleet: Fleet) -> dict[str, Ages]:
    """Series id → ages, of every instrument whose class the file gives; others are kept for ever."""
    rooms = [(site.id, site.instruments) for site in fleet.sites] + [
        (skid.id, skid.instruments) for skid in fleet.skids
    ]
    return {
        series_id(room, tag): Ages(rule.raw, rule.minutes, rule.hours)
        for room, instruments in rooms
        for tag, instrument in instruments.items()
        if (rule := fleet.retention.get(instrument.retention or DEFAULT)) is not None
    }
