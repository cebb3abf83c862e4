"""Holds an entry against the fleet file: that its skid, unit and tag are there, and when a calibration is due again."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Final

from skidhand.errors import NotFoundError
from skidhand.fleet.model import Fleet, Skid
from skidhand.model.entry import Entry

WEARS: Final = {
    "media": "media_filter", "liner": "hydrocyclone", "stator": "feed_pump", "membrane": "reverse_osmosis",
    "basket": "strainer", "cloth": "filter_press",
}  # fmt: skip
"""What can be renewed, and the type of unit that it stands in."""


def placed(fleet: Fleet, entry: Entry) -> Entry:
    """The entry with what the fleet file adds to it; NotFoundError names what is not there."""
    if entry.skid is None:
        return entry
    skid = fleet.skid(entry.skid)
    if skid is None:
        raise _no("skid", entry.skid, [one.id for one in fleet.skids])
    unit, tag = entry.data.get("unit_id"), entry.data.get("tag")
    if unit is not None and unit not in {one.id for one in skid.units}:
        raise _no("unit_id", str(unit), [one.id for one in skid.units])
    if tag is not None and tag not in skid.instruments:
        raise _no("tag", str(tag), list(skid.instruments))
    resets = entry.data.get("resets")
    if resets in WEARS:
        fitting = [one.id for one in skid.units if one.type == WEARS[str(resets)]]
        if unit not in fitting:
            raise _no(f"unit with a {resets}", str(unit), fitting)
    return _due(skid, entry) if entry.kind == "calibration" else entry


def due_dates(skid: Skid, calibrations: list[Entry], *, now: datetime) -> list[tuple[str, date]]:
    """Tag and date of each instrument whose calibration has a next time: by its newest entry, else the fleet file."""
    found: dict[str, date] = {
        tag: one.calibrated + timedelta(days=one.due_days)
        for tag, one in skid.instruments.items()
        if one.calibrated is not None and one.due_days is not None
    }
    for entry in sorted(calibrations, key=lambda one: one.at):
        tag, due = str(entry.data.get("tag")), entry.data.get("due")
        if entry.skid == skid.id and tag in skid.instruments and entry.at <= now and isinstance(due, str):
            found[tag] = date.fromisoformat(due)
    return sorted(found.items(), key=lambda item: (item[1], item[0]))


def _due(skid: Skid, entry: Entry) -> Entry:
    instrument = skid.instruments[str(entry.data["tag"])]
    data = {"unit": instrument.unit, **entry.data}
    if "due" not in data and instrument.due_days is not None:
        data["due"] = (entry.at.date() + timedelta(days=instrument.due_days)).isoformat()
    return entry.model_copy(update={"data": data})


def _no(what: str, name: str, known: list[str]) -> NotFoundError:
    return NotFoundError(f"no {what} {name!r} here; there are {', '.join(sorted(known)) or 'none'}")
