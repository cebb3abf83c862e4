"""A fleet version as flat tables, so that judging a sample is a dictionary look-up."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from skidhand.fleet import Fleet, FleetVersion, Instrument, Skid
from skidhand.model.samples import micros, series_id

ALWAYS: Final = (-(2**63), 2**63 - 1)


@dataclass(frozen=True, slots=True)
class Asset:
    """A skid, or a site's shared tanks: where it stood (microseconds, half-open), and its wire names."""

    id: str
    stays: tuple[tuple[int, int, str], ...]
    codes: Mapping[str, int]  # name on the wire → index into the tables of Lookup

    def site_at(self, time_us: int) -> str | None:
        """The site where it stood then, or None."""
        for start, end, site in self.stays:
            if start <= time_us < end:
                return site
        return None


@dataclass(frozen=True, slots=True)
class Lookup:
    """Everything the judge asks of one fleet version. Arrays are indexed by series code."""

    digest: str
    sites: frozenset[str]
    assets: Mapping[str, Asset]
    series: pa.StringArray
    low: npt.NDArray[np.float64]  # declared range, −inf and inf where there is none
    high: npt.NDArray[np.float64]
    units: tuple[str, ...]  # declared, UCUM


def build_lookup(version: FleetVersion) -> Lookup:
    """Tables for ``version``; a site with instruments of its own is an asset that never moves."""
    fleet = version.fleet
    assets: dict[str, Asset] = {}
    series: list[str] = []
    ranges: list[tuple[float, float]] = []
    units: list[str] = []
    shared = [(site.id, ((*ALWAYS, site.id),), site.instruments) for site in fleet.sites if site.instruments]
    skids = [(skid.id, tuple(_stays(fleet, skid)), skid.instruments) for skid in fleet.skids]
    for asset, stays, instruments in (*shared, *skids):
        numbers = {tag: len(series) + i for i, tag in enumerate(instruments)}
        assets[asset] = Asset(asset, stays, _codes(instruments, numbers))
        series.extend(series_id(asset, tag) for tag in instruments)
        ranges.extend(instrument.range or (-math.inf, math.inf) for instrument in instruments.values())
        units.extend(instrument.unit for instrument in instruments.values())
    low, high = np.array(ranges, dtype=np.float64).reshape(-1, 2).T.copy()
    sites = frozenset(site.id for site in fleet.sites)
    return Lookup(version.digest, sites, assets, pa.array(series, type=pa.string()), low, high, tuple(units))


def _stays(fleet: Fleet, skid: Skid) -> Iterator[tuple[int, int, str]]:
    for placement in skid.placements:
        start, end = fleet.placement_span(placement)
        yield micros(start), ALWAYS[1] if end is None else micros(end), placement.site


def _codes(instruments: Mapping[str, Instrument], numbers: Mapping[str, int]) -> dict[str, int]:
    """Both the tag and the alias are taken; where another's alias is this one's tag, the alias wins."""
    aliases = {inst.alias: numbers[tag] for tag, inst in instruments.items() if inst.alias is not None}
    return {**numbers, **aliases}
