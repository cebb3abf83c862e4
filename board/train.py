"""The train in the water's order, each role with its newest reading."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from board import when
from board.facts import Reading, readings_of, series_of
from board.house import House
from board.render import unit as unit_label
from board.viewer import Viewer
from board.words import Words
from skidhand import plugins
from skidhand.clock import monotonic
from skidhand.fleet import Fleet, Instrument, Skid, Unit
from skidhand.model.quality import is_bad, is_good
from skidhand.model.samples import split_series

SHARED_S: Final = 2.0


@dataclass(frozen=True, slots=True)
class Cell:
    """One reading as it is printed; ``quality`` is good, uncertain, bad or none."""

    tag: str
    what: str
    value: str
    unit: str
    quality: str
    word: str
    age: str
    time: datetime | None


@dataclass(frozen=True, slots=True)
class Stage:
    """One unit: id, what it is, and its readings."""

    id: str
    means: str
    note: str
    cells: tuple[Cell, ...]


def latest(house: House, skid: Skid, tags: Iterable[str]) -> dict[str, Reading]:
    """The newest reading by tag."""
    table = house.store.latest(series_of(skid, list(tags)))
    return {split_series(series)[1]: reading for series, reading in readings_of(table).items()}


def seen_by(viewer: Viewer, fleet: Fleet, skid: Skid, readings: Mapping[str, Reading]) -> dict[str, Reading]:
    """Without those of a time at which the skid stood where this viewer sees nothing."""
    return {tag: one for tag, one in readings.items() if viewer.sees_at(fleet, skid, one.time)}


def latest_shared(house: House, skid: Skid) -> dict[str, Reading]:
    """:func:`latest` of all its tags, read at most once in SHARED_S for all who watch it."""
    held = house.live.get(skid.id)
    if held is None or monotonic() - held[0] >= SHARED_S:
        with house.live_lock:
            held = house.live.get(skid.id)
            if held is None or monotonic() - held[0] >= SHARED_S:
                held = house.live[skid.id] = (monotonic(), latest(house, skid, skid.instruments))
    return held[1]


def train(skid: Skid, viewer: Viewer, readings: Mapping[str, Reading], now: datetime, t: Words) -> list[Stage]:
    """Every unit in flow order, then the instruments that serve none; what ``viewer`` may not see is left out."""
    shown, used, stages = set(viewer.tags(skid)), set(), []
    for unit in skid.units if not viewer.customer else [one for one in skid.units if one.type == "outlet"]:
        roles = {role: tag for role, tag in unit.roles.items() if tag in shown}
        used |= set(roles.values())
        cells = tuple(
            cell(tag, t.said(_means(unit, role)), skid.instruments[tag], readings.get(tag), now, t)
            for role, tag in roles.items()
        )
        stages.append(Stage(unit.id, t.said(_type_means(unit)), unit.note, cells))
    rest = [tag for tag in skid.instruments if tag in shown - used]
    if rest:
        cells = tuple(cell(tag, "", skid.instruments[tag], readings.get(tag), now, t) for tag in rest)
        stages.append(Stage(t("skid.others"), "", "", cells))
    return stages


def cell(tag: str, what: str, instrument: Instrument, reading: Reading | None, now: datetime, t: Words) -> Cell:
    """One reading for people; a Bad one shows no number."""
    means = instrument.note or what
    if reading is None:
        return Cell(tag, means, "", "", "none", t("quality.none"), "", None)
    quality = "good" if is_good(reading.quality) else "bad" if is_bad(reading.quality) else "uncertain"
    text, unit = t("skid.no-value"), ""
    if reading.value is not None and quality != "bad":
        state = (instrument.states or {}).get(round(reading.value))
        text, unit = (state, "") if state else (when.figure(reading.value), unit_label(instrument.unit))
    age = when.span(now - reading.time, t)
    return Cell(tag, means, text, unit, quality, t(f"quality.{quality}"), age, reading.time)


def _means(unit: Unit, role: str) -> str:
    known = plugins.load("unit_type").get(unit.type)
    found = known.member.roles.get(role) if known else None
    return found.means if found else role.replace("_", " ")


def _type_means(unit: Unit) -> str:
    known = plugins.load("unit_type").get(unit.type)
    return str(known.member.means) if known else unit.type
