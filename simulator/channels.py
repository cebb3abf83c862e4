"""Binds each instrument of the fleet file to the quantity of the plant that its role names."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from simulator.instruments import SCAN_S, Counter, Transmitter
from simulator.pad import SitePlant
from simulator.skid_plant import Acting, SkidPlant
from skidhand.errors import InputFileError
from skidhand.fleet import Instrument
from skidhand.unit_types.base import Role


@dataclass(slots=True)
class Channel:
    """One tag: which column of the plant it reads, in which unit, how often it reports."""

    tag: str
    column: int
    unit: str  # UCUM code of the column
    declared: Instrument
    instrument: Transmitter | Counter
    stepwise: bool  # a state holds until it changes, it has no value in between
    every: int  # scans
    last_sent: list[float] = field(default_factory=list)


def channels(plant: SkidPlant | SitePlant, events: Sequence[Acting], seed: int) -> list[Channel]:
    """A channel per instrument of the skid, in the order of the fleet file.

    Raises InputFileError for an instrument that no role names, whose role is not simulated, or whose
    period is none of the simulated scans.
    """
    places = _places(plant)
    found = []
    for tag, declared in plant.skid.instruments.items():
        if tag not in places:
            raise InputFileError(
                f"skid {plant.skid.id}: nothing in the plant stands behind instrument {tag}; "
                f"give it one of {', '.join(_choices(plant))}"
            )
        column, role = places[tag]
        ails = [a for a in events if a.event.tag == tag]
        exact = role.state or declared.total
        found.append(
            Channel(
                tag=tag,
                column=column,
                unit=role.unit,
                declared=declared,
                instrument=Counter(declared, ails)
                if exact
                else Transmitter(seed, plant.skid.id, tag, declared, role.unit, ails),
                stepwise=role.state,
                every=_scans(plant.skid.id, tag, declared),
            )
        )
    return found


def _places(plant: SkidPlant | SitePlant) -> dict[str, tuple[int, Role]]:
    """Tag → (column, role); a tag that several roles name reads the first that is simulated."""
    columns = {column: i for i, column in enumerate(plant.columns)}
    places: dict[str, tuple[int, Role]] = {}
    for unit in plant.view.units:
        for role, tag in unit.tags.items():
            if (unit.id, role) in columns:
                places.setdefault(tag, (columns[unit.id, role], unit.type.roles[role]))
    return places


def _choices(plant: SkidPlant | SitePlant) -> list[str]:
    """Simulated roles of the units that the skid has."""
    return [f"{unit}.{role}" for unit, role in plant.columns if unit in plant.view.by_id]


def _scans(skid_id: str, tag: str, declared: Instrument) -> int:
    seconds = declared.expected_s or float(SCAN_S)
    if declared.reporting == "periodic" and (seconds < SCAN_S or seconds % SCAN_S):
        raise InputFileError(
            f"skid {skid_id}: {tag} reports every {seconds:g} s; simulated are multiples of {SCAN_S} s"
        )
    return max(1, int(seconds // SCAN_S))
