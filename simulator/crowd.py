"""A large fleet grown from a small one: copies of its skids, each with a plant and troubles drawn from the seed."""

from __future__ import annotations

import numpy as np
from pydantic import Field

from simulator.checked import Block
from simulator.faults import FAULTS, Fault
from simulator.plant_file import Event, Plant, SkidStory
from simulator.streams import generator
from skidhand.fleet import Fleet, Skid

MONTH_HOURS = 730.5
SPANS: dict[str, tuple[float, float]] = {"step": (0.5, 8.0), "ramp": (24.0, 240.0), "stairs": (24.0, 120.0)}
"""Shortest and longest in hours, by how a fault comes."""


class Crowd(Block):
    """How a fleet is grown: ``copies`` of each skid, with so many events a skid and month on average."""

    copies: int = Field(ge=1, le=100_000)
    troubles_per_month: float = Field(2.0, ge=0, le=100)


def grow(fleet: Fleet, crowd: Crowd, stories: dict[str, SkidStory], seed: int, hours: float) -> tuple[
    Fleet, dict[str, SkidStory]
]:  # fmt: skip
    """The large fleet and a story for each of its skids; ids are <skid>-0001 and so on.

    What ``stories`` says of the plant and link of a skid holds for all of its copies.
    """
    skids: list[Skid] = []
    told: dict[str, SkidStory] = {}
    for number in range(1, crowd.copies + 1):
        for pattern in fleet.skids:
            name = f"{pattern.id}-{number:04d}"
            skid = pattern.model_copy(update={"id": name, "name": f"{pattern.name} ({number})"})
            random = generator(seed, name, "crowd")
            given = stories.get(pattern.id, SkidStory())
            told[name] = SkidStory(
                plant=_plant(given.plant, random),
                carrier=given.carrier,
                story=_troubles(skid, crowd.troubles_per_month * hours / MONTH_HOURS, hours, random),
            )
            skids.append(skid)
    return fleet.model_copy(update={"skids": tuple(skids)}), told


def _plant(given: Plant, random: np.random.Generator) -> Plant:
    """A plant of its own: load, temperature, oil, solids and filter runs differ from skid to skid."""
    load, warm, oil, solids, run, begun = random.random(6).tolist()
    return given.model_copy(
        update={
            "load": round(given.load * (0.8 + 0.25 * load), 3),
            "temperature": round(given.temperature + 14.0 * (warm - 0.5), 1),
            "oil": round(given.oil * (0.5 + oil), 0),
            "solids": round(given.solids * (0.5 + solids), 1),
            "run_hours": round(given.run_hours * (0.8 + run), 1),
            "run_started": round(0.9 * begun, 2),
        }
    )


def _troubles(skid: Skid, mean: float, hours: float, random: np.random.Generator) -> tuple[Event, ...]:
    fitting = [fault for fault in FAULTS.values() if _fits(fault, skid)]
    found = []
    for _ in range(int(random.poisson(mean))):
        fault = fitting[int(random.integers(len(fitting)))]
        low, high = SPANS[fault.shape]
        found.append(
            Event(
                event=fault.name,
                at=round(float(random.uniform(0.0, hours)), 2),
                hours=round(float(np.exp(random.uniform(np.log(low), np.log(high)))), 2),
                severity=round(float(random.uniform(0.6, 1.2)), 2),
            )
        )
    return tuple(sorted(found, key=lambda event: event.at))


def _fits(fault: Fault, skid: Skid) -> bool:
    """Whether it can strike the skid at all; what strikes one instrument is left to stories that name it."""
    if fault.strikes == "instrument":
        return False
    fitting = sum(fault.fits(unit) for unit in skid.units)
    return fault.unit_type is None or fitting > int(fault.several)
