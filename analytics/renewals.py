"""What was renewed on a skid, by the logbook's entries: from then on it is another than what was learnt.

Work that ``resets`` a part, or cleans or changes an instrument, and a calibration that moved one. A calibration whose
``as_found`` and ``as_left`` are the same within the instrument's resolution changed nothing; one that does not give
both may have.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from analytics.cleaning import resolution
from analytics.detectors.base import Detector
from analytics.segments import Versions, in_effect, minute_of
from skidhand.fleet import UnitView
from skidhand.model.entry import Entry
from skidhand.units import UnitError, convert

INSTRUMENT: Final = "instrument"
KINDS: Final = ("work", "calibration")
"""Kinds of entry that may renew something."""


@dataclass(frozen=True, order=True, slots=True)
class Renewal:
    """From ``minute`` on ``what`` is new at ``where``: a part in a unit of that id, or the instrument of that tag."""

    minute: int
    what: str
    where: str


Renewed = Mapping[str, tuple[Renewal, ...]]
"""One skid's by where they are, each in order of time."""


def renewals(entries: Iterable[Entry], versions: Versions) -> dict[str, Renewed]:
    """Those of each skid, whatever the order of the entries."""
    found: dict[str, dict[str, set[Renewal]]] = {}
    for entry in entries:
        if entry.skid is not None and (one := _renewal(entry, versions)) is not None:
            found.setdefault(entry.skid, {}).setdefault(one.where, set()).add(one)
    return {skid: {where: tuple(sorted(many)) for where, many in mine.items()} for skid, mine in found.items()}


def affecting(renewed: Renewed, detector: Detector, unit: UnitView, *, after: int, until: int) -> Iterator[Renewal]:
    """Those of minutes (after, until] by which what ``detector`` has learnt of ``unit`` no longer counts."""
    learns = detector.learns
    if not (renewed and (learns.parts or learns.roles)):
        return
    for one in renewed.get(unit.id, ()):
        if after < one.minute <= until and one.what in learns.parts:
            yield one
    for role, tag in unit.tags.items():
        if "*" in learns.roles or role in learns.roles:
            for one in renewed.get(tag, ()):
                if after < one.minute <= until and one.what == INSTRUMENT:
                    yield one


def _renewal(entry: Entry, versions: Versions) -> Renewal | None:
    minute, tag = minute_of(entry.at), entry.data.get("tag")
    if entry.kind == "work":
        what = entry.data.get("resets")
        where = tag if what == INSTRUMENT else entry.data.get("unit_id")
        return None if what is None or where is None else Renewal(minute, str(what), str(where))
    if entry.kind == "calibration" and tag is not None and _moved(entry, versions, minute):
        return Renewal(minute, INSTRUMENT, str(tag))
    return None


def _moved(entry: Entry, versions: Versions, minute: int) -> bool:
    found, left = entry.data.get("as_found"), entry.data.get("as_left")
    if not isinstance(found, int | float) or not isinstance(left, int | float):
        return True
    skid = in_effect(versions, minute).fleet.skid(entry.skid or "")
    instrument = None if skid is None else skid.instruments.get(str(entry.data["tag"]))
    if instrument is None:
        return found != left
    try:
        moved = convert(left - found, str(entry.data.get("unit", instrument.unit)), instrument.unit, difference=True)
    except UnitError:
        return True
    return abs(moved) > resolution(instrument)
