"""What must hold between parts of a fleet file: references, roles, units, placements."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from itertools import pairwise

from skidhand import plugins
from skidhand.fleet.model import Amount, Fleet, Instrument, Skid, Unit, Water
from skidhand.fleet.reports import report_problems
from skidhand.fleet.roster_rules import roster_problems
from skidhand.fleet.spec_rules import spec_problems
from skidhand.unit_types.base import TEMPERATURE, Limit, Param, UnitType
from skidhand.units import UnitError, convert, same_dimension

Path = tuple[str | int, ...]
Problem = tuple[Path, str]

SALTY = 10.0
"""g/L of dissolved solids above which a bare ppm is ambiguous by more than the density's 0.6 %."""

SALTIEST = 500.0
"""g/L of dissolved solids that no produced water reaches: common practice, no source."""


def problems(fleet: Fleet) -> Iterator[Problem]:
    """Every broken rule as (path into the file, message)."""
    site_ids = {site.id for site in fleet.sites}
    yield from _repeats("sites", [site.id for site in fleet.sites])
    yield from _repeats("skids", [skid.id for skid in fleet.skids])
    for i, site in enumerate(fleet.sites):
        yield from _units(("sites", i), site.units, site.instruments)
        yield from _signals(("sites", i), site.instruments)
    for i, skid in enumerate(fleet.skids):
        path: Path = ("skids", i)
        yield from _placements(fleet, skid, path, site_ids)
        yield from _units(path, skid.units, skid.instruments)
        yield from _water(skid, path)
        yield from _instruments(skid, path)
        yield from _signals(path, skid.instruments)
        yield from spec_problems(skid, path)
        if not same_dimension(skid.flow_unit, "m3/h"):
            yield (*path, "flow_unit"), f"{skid.flow_unit!r} is not a flow; try 'm3/h' or '[gal_us]/min'"
    yield from _classes(fleet)
    yield from roster_problems(fleet)
    yield from report_problems(fleet)


def _classes(fleet: Fleet) -> Iterator[Problem]:
    known = f"there are {_list(set(fleet.retention))}" if fleet.retention else "there are none"
    rooms = [(("sites", i), site.instruments) for i, site in enumerate(fleet.sites)]
    rooms += [(("skids", i), skid.instruments) for i, skid in enumerate(fleet.skids)]
    for path, instruments in rooms:
        for tag, instrument in instruments.items():
            if instrument.retention not in (None, *fleet.retention):
                yield (*path, "instruments", tag, "class"), f"no class {instrument.retention!r} in 'retention'; {known}"


def _repeats(where: str, ids: list[str]) -> Iterator[Problem]:
    for name, count in Counter(ids).items():
        if count > 1:
            second = [i for i, other in enumerate(ids) if other == name][1]
            yield (where, second, "id"), f"{name!r} stands {count} times; ids are unique in the fleet"


def _placements(fleet: Fleet, skid: Skid, path: Path, sites: set[str]) -> Iterator[Problem]:
    spans = []
    for i, placement in enumerate(skid.placements):
        here = (*path, "placements", i)
        if placement.site not in sites:
            yield (*here, "site"), f"no site {placement.site!r}; there are {_list(sites)}"
            continue
        start, end = fleet.placement_span(placement)
        if end is not None and end <= start:
            yield (*here, "to"), f"skid {skid.id!r} leaves {placement.site!r} before it arrives"
        spans.append((start, end, here))
    spans.sort(key=lambda span: span[0])
    for (_, end, _), (start, _, here) in pairwise(spans):
        if end is None or end > start:
            yield (
                here,
                f"skid {skid.id!r} would stand in two places at {start:%Y-%m-%d %H:%M}Z; give the earlier one 'to'",
            )


def _units(path: Path, units: tuple[Unit, ...], instruments: Mapping[str, Instrument]) -> Iterator[Problem]:
    types = {name: plugin.member for name, plugin in plugins.load("unit_type").items()}
    ids = [unit.id for unit in units]
    for name, count in Counter(ids).items():
        if count > 1:
            second = [i for i, other in enumerate(ids) if other == name][1]
            yield (*path, "units", second, "id"), f"unit id {name!r} stands {count} times on one skid or site"
    for i, unit in enumerate(units):
        here = (*path, "units", i)
        if unit.type not in types:
            yield (*here, "type"), f"no unit type {unit.type!r}; there are {_list(types)}"
            continue
        yield from _roles(here, unit, types[unit.type], instruments)
        yield from _numbers((*here, "params"), unit.params, types[unit.type].params, "parameter", unit.type)
        yield from _numbers((*here, "limits"), unit.limits, types[unit.type].limits, "limit", unit.type)
        for j, target in enumerate(unit.feeds or ()):
            if target not in ids:
                yield (*here, "feeds", j), f"no unit {target!r} here; there are {_list(ids)}"
            elif target == unit.id:
                yield (*here, "feeds", j), f"unit {target!r} cannot feed itself"


def _roles(here: Path, unit: Unit, kind: UnitType, instruments: Mapping[str, Instrument]) -> Iterator[Problem]:
    for role, tag in unit.roles.items():
        at = (*here, "roles", role)
        if role not in kind.roles:
            yield at, f"a {kind.name} has no role {role!r}; its roles are {_list(kind.roles)}"
        elif tag not in instruments:
            yield at, f"no instrument {tag!r}; there are {_list(instruments)}"
        elif not same_dimension(instruments[tag].unit, kind.roles[role].unit) and not (
            instruments[tag].unit == "[ppm]" and kind.roles[role].unit == "mg/L"
        ):
            unit_code = instruments[tag].unit
            yield at, f"{tag} is in {unit_code!r}, but {role!r} wants a unit like {kind.roles[role].unit!r}"


def _numbers(
    here: Path,
    given: Mapping[str, float | Amount],
    known: Mapping[str, Param] | Mapping[str, Limit],
    word: str,
    type_name: str,
) -> Iterator[Problem]:
    for name, amount in given.items():
        if name not in known:
            yield (*here, name), f"a {type_name} has no {word} {name!r}; it has {_list(known) or 'none'}"
            continue
        value = amount.value if isinstance(amount, Amount) else amount
        if value < 0 and known[name].unit != TEMPERATURE:
            yield (*here, name), f"{word} {name!r} cannot be below zero (got {value:g})"
        if isinstance(amount, Amount):
            try:
                convert(amount.value, amount.unit, known[name].unit)
            except UnitError as error:
                yield (*here, name), str(error)


def _water(skid: Skid, path: Path) -> Iterator[Problem]:
    if skid.water is None:
        return
    try:
        grams = convert(skid.water.tds, skid.water.tds_unit, "g/L")
    except UnitError as error:
        yield (*path, "water", "tds_unit"), str(error)
        return
    if grams > SALTIEST:
        yield (
            (*path, "water", "tds"),
            f"no water holds {grams:g} g/L of salt (at most {SALTIEST:g}); is the unit right?",
        )


def is_salty(water: Water | None) -> bool:
    """True where a bare ppm would be ambiguous."""
    return (
        water is not None
        and same_dimension(water.tds_unit, "g/L")
        and convert(water.tds, water.tds_unit, "g/L") > SALTY
    )


def _signals(path: Path, instruments: Mapping[str, Instrument]) -> Iterator[Problem]:
    for tag, instrument in instruments.items():
        here = (*path, "instruments", tag)
        if instrument.signal is not None and instrument.range is None:
            yield (*here, "signal"), f"{instrument.signal} needs 'range': the values at 4 and at 20 mA"
        if instrument.reduce is not None and (instrument.states is not None or instrument.total):
            yield (*here, "reduce"), "states and totals are not thinned out: every change of theirs counts"


def _instruments(skid: Skid, path: Path) -> Iterator[Problem]:
    salty = is_salty(skid.water)
    names: dict[str, str] = {}
    for tag, instrument in skid.instruments.items():
        here = (*path, "instruments", tag)
        if instrument.unit == "[ppm]" and salty and instrument.basis is None:
            yield (
                (*here, "unit"),
                f"a bare [ppm] is ambiguous above {SALTY:g} g/L of salt; add 'basis: mass' or 'basis: volume'",
            )
        if instrument.replaces is not None and instrument.replaces not in skid.instruments:
            yield (
                (*here, "replaces"),
                f"no instrument {instrument.replaces!r}; there are {_list(skid.instruments)}",
            )
        wire = instrument.alias or tag
        if wire in names:
            yield (*here, "alias"), f"{wire!r} on the wire would be both {names[wire]} and {tag}"
        names[wire] = tag


def _list(names: Iterable[str]) -> str:
    return ", ".join(sorted(names))
