"""Scenario files: a fleet and what happens to its skids. YAML, checked; errors name field, value and choices."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Literal

from pydantic import AwareDatetime, Field, field_validator

from simulator.checked import Block, read_checked
from simulator.faults import FAULTS, Fault
from simulator.plant.media_filter import Law
from skidhand.errors import InputFileError
from skidhand.fleet import Fleet, Skid, load_fleet
from skidhand.units import same_dimension

PACKAGED = "simulator.scenarios"


class Plant(Block):
    """One skid's normal: what comes from the pad and how its units are sized where the fleet file is silent."""

    load: float = Field(1.0, gt=0.2, le=1.2, description="normal flow as a share of design flow")
    temperature: float = Field(25.0, ge=5, le=60, description="feed, °C")
    oil: float = Field(900.0, gt=0, le=20_000, description="oil from the pad, mg/L")
    droplet_median_um: float = Field(90.0, ge=5, le=200)
    droplet_spread: float = Field(0.8, gt=0.1, le=2)
    solids: float = Field(25.0, ge=0, le=1000, description="suspended solids from the pad, mg/L")
    run_hours: float = Field(20.0, ge=2, le=500, description="filter run from clean to four times clean")
    run_started: float = Field(0.0, ge=0, lt=1, description="share of a run that is over at the start")
    law: Law = "cake"
    cyclone_dp: float = Field(207.0, gt=20, le=1000, description="kPa at design flow")
    cyclone_outlet: float = Field(207.0, gt=20, le=1000, description="kPa held at the water outlet")
    cyclone_split: float = Field(0.03, ge=0.01, le=0.08)
    cyclone_pdr: float = Field(1.7, ge=1.1, le=2.0)
    strainer_dp: float = Field(15.0, gt=1, le=60, description="clean, kPa at design flow")
    strainer_cleaned_at: float | None = Field(None, gt=2, le=300, description="kPa at which a person cleans it")
    wash_timer: float = Field(48.0, gt=0.5, le=2000, description="hours after which a controller washes in any case")
    ambient: float | None = Field(None, ge=-40, le=50, description="mean outside, °C; 8 below the feed if not given")
    recovery: float = Field(0.5, gt=0.05, le=0.9, description="of reverse osmosis")
    lab_every: float | None = Field(None, gt=0, description="hours between laboratory samples of the treated water")


class Carrier(Block):
    """The link to the broker."""

    latency_s: float = Field(0.5, ge=0, le=30)
    dropped: float = Field(2e-4, ge=0, le=0.5, description="share of samples that never arrive")
    late: float = Field(1e-3, ge=0, le=0.5, description="share of scans that come up to a minute late")
    clock_offset_s: float = Field(0.0, ge=-3600, le=3600, description="the skid's clock against UTC")


class Event(Block):
    """One fault or look-alike: when (hours after the start), how long, how strong."""

    event: str
    at: float = Field(ge=0)
    hours: float = Field(gt=0)
    severity: float = Field(1.0, gt=0, le=2)
    tag: str | None = None
    unit: str | None = Field(None, description="which unit, where the skid has several of the kind")

    @field_validator("event")
    @classmethod
    def _known(cls, name: str) -> str:
        if name not in FAULTS:
            raise ValueError(f"no fault or look-alike {name!r}; there are {', '.join(sorted(FAULTS))}")
        return name


class SkidStory(Block):
    """What one skid is like and what happens to it."""

    plant: Plant = Plant()
    carrier: Carrier = Carrier()
    story: tuple[Event, ...] = ()


class ScenarioFile(Block):
    """The file. ``fleet`` is a path beside the scenario file, or the name of a packaged fleet."""

    version: Literal[1]
    scenario: str = Field(min_length=1)
    about: str = ""
    fleet: str
    start: AwareDatetime
    hours: float = Field(gt=0, le=20 * 8766)
    seed: int = Field(1, ge=0)
    skids: dict[str, SkidStory] = Field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Scenario:
    """A checked scenario with its fleet."""

    file: ScenarioFile
    fleet: Fleet
    fleet_path: Path

    @property
    def name(self) -> str:
        """The scenario's own name."""
        return self.file.scenario

    @property
    def start(self) -> datetime:
        """First source time, aware."""
        return self.file.start

    def story(self, skid: str) -> SkidStory:
        """The story of ``skid``; a quiet one where the file gives none."""
        return self.file.skids.get(skid, SkidStory())

    def chosen(self, skids: int | None) -> list[str]:
        """Ids of the first ``skids`` skids, all when None; InputFileError for more than there are."""
        known = [skid.id for skid in self.fleet.skids]
        if skids is not None and not 1 <= skids <= len(known):
            raise InputFileError(f"{skids} skids are asked for; {self.name} has {len(known)}: {', '.join(known[:8])}")
        return known[:skids]


def packaged_scenarios() -> list[str]:
    """Names that ``load_scenario`` knows without a path, sorted."""
    return sorted(p.name.removesuffix(".yaml") for p in files(PACKAGED).iterdir() if p.name.endswith(".yaml"))


def load_scenario(path_or_name: Path | str) -> Scenario:
    """Read and check a scenario; InputFileError lists what is wrong, a line each."""
    path = _find(path_or_name)
    file = read_checked(path, ScenarioFile, "scenario")
    fleet_path = _fleet_path(path, file.fleet)
    fleet = load_fleet(fleet_path).fleet
    if wrong := _mismatches(file, fleet):
        raise InputFileError("\n".join(f"{path}: {line}" for line in wrong))
    return Scenario(file, fleet, fleet_path)


def _find(path_or_name: Path | str) -> Path:
    path = Path(path_or_name)
    if path.suffix in (".yaml", ".yml") or path.is_file():
        return path
    names = packaged_scenarios()
    if str(path_or_name) not in names:
        raise InputFileError(
            f"no scenario {str(path_or_name)!r}; give a path to a .yaml file or one of {', '.join(names)}"
        )
    return Path(str(files(PACKAGED).joinpath(f"{path_or_name}.yaml")))


def _fleet_path(scenario: Path, fleet: str) -> Path:
    beside = scenario.parent / fleet
    packaged = Path(str(files("simulator.fleets").joinpath(f"{fleet.removesuffix('.yaml')}.yaml")))
    for path in (beside, packaged):
        if path.is_file():
            return path
    raise InputFileError(f"{scenario}: fleet: no file {fleet!r} beside the scenario and no packaged fleet of that name")


def _mismatches(file: ScenarioFile, fleet: Fleet) -> list[str]:
    """What the scenario says about skids, units and tags that the fleet does not have."""
    wrong = []
    known = {skid.id: skid for skid in fleet.skids}
    for skid_id, story in file.skids.items():
        if skid_id not in known:
            wrong.append(f"skids.{skid_id}: no skid {skid_id!r} in the fleet; there are {', '.join(sorted(known))}")
            continue
        skid = known[skid_id]
        wrong += [
            f"skids.{skid_id}.story.{i}.{problem}"
            for i, event in enumerate(story.story)
            for problem in _event_problems(event, FAULTS[event.event], skid)
        ]
    return wrong


def _event_problems(event: Event, fault: Fault, skid: Skid) -> Iterator[str]:
    if fault.strikes == "instrument":
        declared = skid.instruments.get(event.tag or "")
        if declared is None:
            choices = ", ".join(sorted(skid.instruments))
            yield f"tag: {event.event} needs one of this skid's tags (got {event.tag!r}): {choices}"
        elif declared.total or declared.states is not None:
            yield f"tag: {event.tag} is a state or total; {event.event} strikes measuring instruments"
        elif fault.measures is not None and not same_dimension(declared.unit, fault.measures):
            yield f"tag: {event.tag} measures {declared.unit!r}, not oil in {fault.measures!r} as {event.event} needs"
    elif event.tag is not None:
        yield f"tag: {event.event} strikes no instrument (got {event.tag!r}); leave 'tag' out"
    if fault.unit_type is not None:
        yield from _unit_problems(event, fault, skid)
    elif event.unit is not None:
        yield f"unit: {event.event} strikes no unit (got {event.unit!r}); leave 'unit' out"


def _unit_problems(event: Event, fault: Fault, skid: Skid) -> Iterator[str]:
    fitting = [unit.id for unit in skid.units if fault.fits(unit)]
    needed = f"{fault.unit_type}" + (f" that holds {fault.holds}" if fault.holds else "")
    if not fitting:
        types = ", ".join(sorted({unit.type for unit in skid.units}))
        yield f"event: {event.event} needs a {needed}; {skid.id} has {types}"
    elif fault.several and len(fitting) < 2:
        yield f"event: {event.event} needs at least two units of type {needed}; {skid.id} has {fitting[0]} alone"
    elif event.unit is not None and event.unit not in fitting:
        yield f"unit: {event.event} strikes a {needed} (got {event.unit!r}): {', '.join(fitting)}"
