"""A fleet version as flat tables, so that judging a sample is a dictionary look-up."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pyarrow as pa

from ingest.columns import Ints
from ingest.doubts import Doubt
from ingest.history import Asked, build_asked
from ingest.limits import Band, build_bands
from skidhand.fleet import Fleet, FleetVersion, Instrument, Skid
from skidhand.fleet.quality import Reduce
from skidhand.fleet.rules import is_salty
from skidhand.model.samples import micros, series_id

ALWAYS: Final = (-(2**63), 2**63 - 1)
MOST_SETS: Final = 16
"""Sets of names that are remembered of one sender."""


@dataclass(frozen=True, slots=True)
class Asset:
    """A skid, or a site's shared tanks: where it stood (microseconds, half-open), and its wire names."""

    id: str
    stays: tuple[tuple[int, int, str], ...]
    codes: Mapping[str, int]  # name on the wire → index into the tables of Lookup
    all_codes: Callable[[tuple[str, ...]], Ints | None]  # those of many names at once; None unless all are known

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
    units: tuple[str, ...]  # declared, UCUM
    no_ppm: frozenset[int]  # codes of salty water whose ppm could be by mass or by volume
    signals: tuple[Band, ...]  # fixed limits that come with the instrument
    spans: tuple[Band, ...]  # and those that the fleet file asks for
    asked: Asked
    reduced: Mapping[int, Reduce]
    expected_s: Mapping[int, float | None]  # between samples of those


def build_lookup(version: FleetVersion) -> Lookup:
    """Tables for ``version``; a site with instruments of its own is an asset that never moves."""
    fleet = version.fleet
    assets: dict[str, Asset] = {}
    series: list[str] = []
    flat: list[Instrument] = []
    shared = [(site.id, ((*ALWAYS, site.id),), site.instruments) for site in fleet.sites if site.instruments]
    salty, no_ppm = {skid.id for skid in fleet.skids if is_salty(skid.water)}, set[int]()
    skids = [(skid.id, tuple(_stays(fleet, skid)), skid.instruments) for skid in fleet.skids]
    for asset, stays, instruments in (*shared, *skids):
        numbers = {tag: len(series) + i for i, tag in enumerate(instruments)}
        codes = _codes(instruments, numbers)
        assets[asset] = Asset(asset, stays, codes, _remembered(codes))
        if asset in salty:
            no_ppm |= {number for tag, number in numbers.items() if instruments[tag].basis is None}
        series.extend(series_id(asset, tag) for tag in instruments)
        flat.extend(instruments.values())
    bands = build_bands(flat)
    return Lookup(
        digest=version.digest,
        sites=frozenset(site.id for site in fleet.sites),
        assets=assets,
        series=pa.array(series, type=pa.string()),
        units=tuple(instrument.unit for instrument in flat),
        no_ppm=frozenset(no_ppm),
        signals=tuple(band for band in bands if band.doubt is not Doubt.GROSS_RANGE),
        spans=tuple(band for band in bands if band.doubt is Doubt.GROSS_RANGE),
        asked=build_asked(flat),
        reduced={code: instrument.reduce for code, instrument in enumerate(flat) if instrument.reduce},
        expected_s={code: instrument.expected_s for code, instrument in enumerate(flat) if instrument.reduce},
    )


def _stays(fleet: Fleet, skid: Skid) -> Iterator[tuple[int, int, str]]:
    for placement in skid.placements:
        start, end = fleet.placement_span(placement)
        yield micros(start), ALWAYS[1] if end is None else micros(end), placement.site


def _codes(instruments: Mapping[str, Instrument], numbers: Mapping[str, int]) -> dict[str, int]:
    """Both the tag and the alias are taken; where another's alias is this one's tag, the alias wins."""
    aliases = {inst.alias: numbers[tag] for tag, inst in instruments.items() if inst.alias is not None}
    return {**numbers, **aliases}


def _remembered(codes: Mapping[str, int]) -> Callable[[tuple[str, ...]], Ints | None]:
    """The codes of all names of a message, kept for the few sets of names that one sender uses in turn."""
    kept: dict[tuple[str, ...], Ints] = {}

    def all_codes(names: tuple[str, ...]) -> Ints | None:
        found = kept.get(names)
        if found is None and codes.keys() >= set(names):  # names that nobody knows are not kept
            if len(kept) >= MOST_SETS:
                kept.clear()
            found = kept[names] = np.array([codes[name] for name in names], dtype=np.int64)
        return found

    return all_codes
