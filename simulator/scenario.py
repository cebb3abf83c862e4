"""Scenario files: a fleet and what happens to its skids. YAML, checked; errors name field, value and choices."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Literal

import yaml
from pydantic import AwareDatetime, Field

from simulator.checked import Block, read_checked
from simulator.crowd import Crowd, grow
from simulator.faults import FAULTS, Fault
from simulator.plant_file import Event, SiteStory, SkidStory
from skidhand.errors import InputFileError
from skidhand.fleet import Fleet, Site, Skid, load_fleet
from skidhand.units import same_dimension

PACKAGED = "simulator.scenarios"


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
    sites: dict[str, SiteStory] = Field(default_factory=dict, description="shared tanks")
    crowd: Crowd | None = Field(None, description="grows a large fleet from the skids of the fleet file")


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
    if file.crowd is not None:
        fleet, stories = grow(fleet, file.crowd, file.skids, file.seed, file.hours)
        file = file.model_copy(update={"skids": stories})
    return Scenario(file, fleet, fleet_path)


def write_fleet(scenario: Scenario, path: Path | str) -> None:
    """Write the scenario's fleet as a fleet file; for a grown fleet there is no other."""
    data = scenario.fleet.model_dump(mode="json", by_alias=True, exclude_defaults=True)
    text = yaml.safe_dump({"version": 1, **data}, sort_keys=False, allow_unicode=True, width=120)
    Path(path).write_text(text, encoding="utf-8")


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
    places = {site.id: site for site in fleet.sites if site.units}
    for site_id, told in file.sites.items():
        if site_id not in places:
            wrong.append(f"sites.{site_id}: no site {site_id!r} with a shared tank; there are {', '.join(places)}")
            continue
        wrong += [
            f"sites.{site_id}.story.{i}.{problem}"
            for i, event in enumerate(told.story)
            for problem in _event_problems(event, FAULTS[event.event], places[site_id])
        ]
    return wrong


def _event_problems(event: Event, fault: Fault, skid: Skid | Site) -> Iterator[str]:
    if fault.strikes == "instrument":
        declared = skid.instruments.get(event.tag or "")
        if declared is None:
            choices = ", ".join(sorted(skid.instruments))
            yield f"tag: {event.event} needs one of this skid's tags (got {event.tag!r}): {choices}"
        elif fault.totals:
            if not declared.total:
                yield f"tag: {event.tag} is no meter's total, which alone {event.event} strikes"
        elif declared.total or declared.states is not None:
            yield f"tag: {event.tag} is a state or total; {event.event} strikes measuring instruments"
        elif fault.measures is not None and not same_dimension(declared.unit, fault.measures):
            yield f"tag: {event.tag} measures {declared.unit!r}; {event.event} strikes units like {fault.measures!r}"
    elif event.tag is not None:
        yield f"tag: {event.event} strikes no instrument (got {event.tag!r}); leave 'tag' out"
    if fault.unit_type is not None:
        yield from _unit_problems(event, fault, skid)
    elif event.unit is not None:
        yield f"unit: {event.event} strikes no unit (got {event.unit!r}); leave 'unit' out"


def _unit_problems(event: Event, fault: Fault, skid: Skid | Site) -> Iterator[str]:
    fitting = [unit.id for unit in skid.units if fault.fits(unit)]
    needed = f"{fault.unit_type}" + (f" that holds {fault.holds}" if fault.holds else "")
    if not fitting:
        types = ", ".join(sorted({unit.type for unit in skid.units}))
        yield f"event: {event.event} needs a {needed}; {skid.id} has {types}"
    elif fault.several and len(fitting) < 2:
        yield f"event: {event.event} needs at least two units of type {needed}; {skid.id} has {fitting[0]} alone"
    elif event.unit is not None and event.unit not in fitting:
        yield f"unit: {event.event} strikes a {needed} (got {event.unit!r}): {', '.join(fitting)}"
