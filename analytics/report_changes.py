"""What a correction changes: the figures that differ from the statement before it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from analytics.report_figures import Figures, SkidFigures, Volume
from analytics.report_totals import BARREL, LINES, total
from skidhand.model.statement import Statement

MOST: Final = 40
LISTS: Final = ("days", "runs", "events", "quality")
ALL: Final = "all together"
"""Stands where a skid's id stands; no id has a space."""


@dataclass(frozen=True, slots=True)
class Changes:
    """``rows``: (skid, figure, before, now, unit); ``more`` that are not shown; ``lists`` that differ too."""

    rows: Sequence[tuple[str, str, Any, Any, str]]
    more: int
    lists: Sequence[str]


def changes(now: Figures, before: Statement | None) -> Changes | None:
    """None where nothing was stated before."""
    if before is None:
        return None
    old = Figures.model_validate(before.figures)
    old = old.for_customer() if now.customer else old
    was, told = ({(skid, start, name): (value, unit) for skid, start, name, value, unit in flat(one)}
                 for one in (old, now))  # fmt: skip
    none = (None, "")
    rows = [
        (key[0], key[2], was.get(key, none)[0], told.get(key, none)[0], (told.get(key) or was.get(key) or none)[1])
        for key in sorted({*was, *told}) if was.get(key, none)[0] != told.get(key, none)[0]
    ]  # fmt: skip
    lists = [
        name for name in LISTS
        if [getattr(skid, name) for skid in old.skids] != [getattr(skid, name) for skid in now.skids]
    ]  # fmt: skip
    return Changes(rows[:MOST], max(len(rows) - MOST, 0), lists)


def flat(figures: Figures) -> Iterator[tuple[str, str, str, Any, str]]:
    """(skid, start of the part, figure, value, UCUM code) of every figure that is one number."""
    for skid in figures.skids:
        for name, value, unit in _of(skid):
            yield skid.skid, skid.start.isoformat(), name, value, unit
    for name in ("treated", "received") if len(figures.skids) > 1 else ():
        found = total(figures.skids, name)
        if found is not None:
            yield from ((ALL, "", f"{name}.{line}", found.lines[line], BARREL) for line in LINES)


def _of(skid: SkidFigures) -> Iterator[tuple[str, Any, str]]:
    for name in ("treated",) if skid.customer else ("treated", "received"):
        volume: Volume | None = getattr(skid, name)
        told = {} if volume is None else volume.model_dump(exclude={"tag", "unit"})
        for figure, value in told.items():
            counted = figure in ("rollovers", "resets", "integrated_share")
            yield f"{name}.{figure}", value, "1" if counted or volume is None else volume.unit
    if skid.customer:
        return
    base = skid.received or skid.treated
    wash = base.unit if base else ""
    plain = {"recovery": "1", "backwash": wash, "backwash_share": "1", "oil_caught_kg": "kg",
             "oil_caught_bbl": "[bbl_us]", "oil_density": "kg/m3", "oil_minutes": "min", "in_service_h": "h",
             "completeness": "1", "calls": "1", "false_calls": "1", "messages": "1"}  # fmt: skip
    yield from ((figure, getattr(skid, figure), unit) for figure, unit in plain.items())
