"""What the detectors of this version would watch in a fleet, and what they lack for the rest."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from skidhand import plugins
from skidhand.fleet import Fleet, SkidView, UnitView, site_view, skid_view
from skidhand.model.kinds import INSTRUMENT, KINDS

Row = dict[str, Any]

NO_DETECTOR = "no detector in this version"
NO_UNITS = "the file gives the skid no units"
ALWAYS = frozenset({"no-data"})
"""Watched on every skid by the analysis loop itself, whatever instruments there are."""

ANY_UNIT = "*"
WHOLE_SKID = "skid"


def coverage(fleet: Fleet) -> Iterator[Row]:
    """One row a skid, unit and kind: ``skid unit type kind watched note``; and one a parameter that is missing."""
    detectors = [plugin.member for plugin in plugins.load("detector").values()]
    for skid in fleet.skids:
        view = skid_view(skid)
        for unit in view.units:
            yield from _unit(unit, view, detectors)
        if not view.of_type(WHOLE_SKID):
            yield from _without_skid_unit(view, detectors)
        yield from _instruments(view, detectors)
    for site in fleet.sites:
        if site.units:
            view = site_view(site)
            yield from (_row(site.id, "", WHOLE_SKID, kind, watched=True) for kind in sorted(ALWAYS))
            for unit in view.units:
                yield from _unit(unit, view, detectors)
            yield from _instruments(view, detectors)


def _row(skid: str, unit: str, type_name: str, kind: str = "", *, watched: bool = False, note: str = "") -> Row:
    return {"skid": skid, "unit": unit, "type": type_name, "kind": kind, "watched": watched, "note": note}


def _unit(unit: UnitView, skid: SkidView, detectors: list[Any]) -> Iterator[Row]:
    asked = {d: d.needs(unit, skid) for d in detectors if d.unit_type in (unit.type.name, ANY_UNIT)}
    kinds = [name for name, info in KINDS.items() if unit.type.name in info.on]
    outside = sorted({k for d in asked if d.unit_type != ANY_UNIT for k in d.kinds} - set(KINDS))
    for kind in [*kinds, *outside]:
        yield _kind(skid.id, unit.id, unit.type.name, kind, asked)
    for name, param in unit.type.params.items():
        if name not in unit.params:
            note = f"parameter '{name}' ({param.means}) is missing; not computed: {param.costs}"
            yield _row(skid.id, unit.id, unit.type.name, note=note)


def _kind(skid: str, unit: str, type_name: str, kind: str, asked: Mapping[Any, Any]) -> Row:
    if kind in ALWAYS:
        return _row(skid, unit, type_name, kind, watched=True)
    able = {d: c for d, c in asked.items() if kind in d.kinds}
    watching = [c for c in able.values() if kind in c.watched]
    if not able:
        note = NO_DETECTOR
    elif watching:
        note = "; ".join(hint for c in watching for hint in c.weaker)
    else:
        note = "; ".join(lack for c in able.values() for lack in c.missing) or "its instruments are missing"
    return _row(skid, unit, type_name, kind, watched=bool(watching), note=note)


def _without_skid_unit(view: SkidView, detectors: list[Any]) -> Iterator[Row]:
    """Kinds of the skid as a whole, where the file gives it no unit of its own."""
    covered = {kind for d in detectors for kind in d.kinds}
    for kind, info in KINDS.items():
        if WHOLE_SKID in info.on:
            note = "the file has no unit of type 'skid'" if kind in covered else NO_DETECTOR
            watched = kind in ALWAYS
            yield _row(view.id, "", WHOLE_SKID, kind, watched=watched, note="" if watched else note)


def _instruments(view: SkidView, detectors: list[Any]) -> Iterator[Row]:
    """Kinds that may happen to any instrument: judged unit by unit, told once a skid."""
    anywhere = [d for d in detectors if d.unit_type == ANY_UNIT]
    asked = [(d, d.needs(unit, view)) for d in anywhere for unit in view.units]
    for kind, info in KINDS.items():
        if INSTRUMENT in info.on:
            watched = any(kind in c.watched for _, c in asked)
            able = any(kind in d.kinds for d in anywhere)
            missing = dict.fromkeys(lack for d, c in asked if kind in d.kinds for lack in c.missing)
            note = "" if watched else ("; ".join(missing) or NO_UNITS) if able else NO_DETECTOR
            yield _row(view.id, "", INSTRUMENT, kind, watched=watched, note=note)
