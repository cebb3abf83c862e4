"""A skid as calculations want it: limits and parameters in each unit type's own units, neighbours resolved."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

from skidhand import plugins
from skidhand.fleet.model import Amount, Instrument, Site, Skid, SpecLimit, Unit
from skidhand.unit_types.base import Limit, UnitType
from skidhand.units import convert


@dataclass(frozen=True)
class UnitView:
    """One unit. ``limits`` and ``params`` are in the units that its type declares; defaults are filled in."""

    id: str
    type: UnitType
    tags: Mapping[str, str]  # role -> tag
    instruments: Mapping[str, Instrument]  # role -> instrument
    params: Mapping[str, float]
    limits: Mapping[str, float]
    upstream: tuple[str, ...]
    downstream: tuple[str, ...]
    backwash_by: str = "person"
    holds: str | None = None  # of a plain tank

    def has(self, *roles: str) -> bool:
        """True when every one of ``roles`` has an instrument."""
        return all(role in self.tags for role in roles)

    def shown(self, role: str, value: float, *, difference: bool = False) -> tuple[float, str]:
        """``value`` of ``role`` (in the type's unit) as (value, UCUM code) in the unit the site uses."""
        canonical = self.type.roles[role].unit
        if role not in self.instruments:
            return value, canonical
        unit = self.instruments[role].unit
        if unit == canonical or unit == "[ppm]":
            return value, canonical
        return convert(value, canonical, unit, difference=difference), unit


@dataclass(frozen=True)
class SkidView:
    """One skid of one fleet version. ``design_flow`` in m³/h, ``tds`` in g/L, either None if not given."""

    id: str
    name: str
    units: tuple[UnitView, ...]
    design_flow: float | None
    tds: float | None
    oil_api: float | None
    spec: Mapping[str, SpecLimit]
    instruments: Mapping[str, Instrument]

    @cached_property
    def by_id(self) -> Mapping[str, UnitView]:
        """Units by id."""
        return {unit.id: unit for unit in self.units}

    def of_type(self, name: str) -> tuple[UnitView, ...]:
        """Units of one type, in flow order."""
        return tuple(unit for unit in self.units if unit.type.name == name)

    def before(self, unit_id: str) -> tuple[str, ...]:
        """Ids of all units whose water reaches ``unit_id``, nearest first."""
        return self._walk(unit_id, lambda unit: unit.upstream)

    def after(self, unit_id: str) -> tuple[str, ...]:
        """Ids of all units that the water of ``unit_id`` reaches, nearest first."""
        return self._walk(unit_id, lambda unit: unit.downstream)

    def _walk(self, start: str, step: Callable[[UnitView], tuple[str, ...]]) -> tuple[str, ...]:
        seen: dict[str, None] = {}
        edge = list(step(self.by_id[start]))
        while edge:
            name = edge.pop(0)
            if name != start and name not in seen:
                seen[name] = None
                edge += step(self.by_id[name])
        return tuple(seen)


def skid_view(skid: Skid) -> SkidView:
    """The view of ``skid``, which must have passed the fleet file's rules."""
    feeds = _feeds(skid.units)
    units = tuple(_unit_view(skid, unit, feeds) for unit in skid.units)
    water = skid.water
    return SkidView(
        id=skid.id,
        name=skid.name,
        units=units,
        design_flow=None if skid.design_flow is None else convert(skid.design_flow, skid.flow_unit, "m3/h"),
        tds=None if water is None else convert(water.tds, water.tds_unit, "g/L"),
        oil_api=None if water is None else water.oil_api_gravity,
        spec=skid.spec,
        instruments=skid.instruments,
    )


def site_view(site: Site) -> SkidView:
    """A site with the tanks that its skids share, seen as a skid that is nothing but tanks."""
    units = tuple(_unit_view(site, unit, _feeds(site.units)) for unit in site.units)
    return SkidView(site.id, site.name, units, None, None, None, {}, site.instruments)


def _feeds(units: tuple[Unit, ...]) -> dict[str, tuple[str, ...]]:
    """Unit id -> ids that its water goes to; the next unit in the list unless the file says otherwise.

    The skid itself and chemical tanks carry no water through the train, so they are passed over.
    """
    train = [unit for unit in units if unit.type not in ("skid", "chemical")]
    follows = {a.id: (b.id,) for a, b in pairwise(train)}
    return {unit.id: unit.feeds if unit.feeds is not None else follows.get(unit.id, ()) for unit in units}


def _unit_view(skid: Skid | Site, unit: Unit, feeds: Mapping[str, tuple[str, ...]]) -> UnitView:
    kind: UnitType = plugins.get("unit_type", unit.type)
    limits = {name: limit.default for name, limit in kind.limits.items()}
    for name, given in unit.limits.items():
        limits[name] = _in_unit(given, kind.limits[name], unit, skid)
    params = {
        name: convert(given.value, given.unit, kind.params[name].unit) if isinstance(given, Amount) else given
        for name, given in unit.params.items()
    }
    return UnitView(
        id=unit.id,
        type=kind,
        tags=unit.roles,
        instruments={role: skid.instruments[tag] for role, tag in unit.roles.items()},
        params=params,
        limits=limits,
        upstream=tuple(name for name, targets in feeds.items() if unit.id in targets),
        downstream=feeds[unit.id],
        backwash_by=getattr(skid, "backwash_by", "person"),
        holds=unit.holds,
    )


def _in_unit(given: float | Amount, limit: Limit, unit: Unit, skid: Skid | Site) -> float:
    if isinstance(given, Amount):
        return convert(given.value, given.unit, limit.unit)
    tag = unit.roles.get(limit.role) if limit.role else None
    if tag is None or skid.instruments[tag].unit == "[ppm]":
        return given
    return convert(given, skid.instruments[tag].unit, limit.unit)
