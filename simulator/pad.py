"""A pad: skids that live together because they fill one tank; any other skid is a pad of its own.

The site's controller looks at the tank every five minutes: while it is full the skids stop, or send their water back.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np

from simulator.faults.base import Change, switches
from simulator.plant.conditions import Conditions
from simulator.plant.site_tank import SiteTank, Water
from simulator.plant.train import DT
from simulator.plant.water import added
from simulator.plant_file import SiteStory
from simulator.scenario import Scenario
from simulator.skid_plant import SkidPlant, acting_on
from simulator.streams import Floats
from skidhand.errors import InputFileError
from skidhand.fleet import Site, Skid, skid_view
from skidhand.fleet.model import Placement

LOOKS: Final = 5  # minutes between two looks of the site's controller at the tank (common practice, no source)
HELD_UP: Final[dict[str, Change]] = {"stop": switches("tripped"), "divert": switches("divert")}
DELIVERS: Final = ("flow", "divert", "density", "conductivity")


def as_skid(site: Site) -> Skid:
    """A site with its shared tanks as an asset that never moves, as on the wire."""
    always = Placement.model_validate({"site": site.id, "from": date(2000, 1, 1)})
    return Skid(id=site.id, name=site.name, placements=(always,), instruments=site.instruments, units=site.units)


class SitePlant:
    """The shared tank of one site; has what instruments, link and truth ask of a :class:`SkidPlant`."""

    def __init__(self, scenario: Scenario, site: Site, feeders: list[SkidPlant], seed: int) -> None:
        if len(site.units) != 1 or site.units[0].type != "buffer_tank" or site.units[0].holds not in (
            None, "treated-water"):  # fmt: skip
            raise InputFileError(f"site {site.id}: one tank of treated water is simulated there, a buffer_tank")
        self.story = scenario.file.sites.get(site.id, SiteStory())
        self.skid, self.view = as_skid(site), skid_view(as_skid(site))
        self.events = acting_on(self.skid, self.story.story, seed)
        params, tank = self.view.units[0].params, self.story.tank
        usual = added(plant.normal.wanted for plant in feeders)
        height = params.get("height", 3.0)
        area = params.get("area", 6.0 * usual / height)
        self.tank = SiteTank(area, height, tank.start * area * height, tank.pumped, tank.load, tank.call_at * height)
        self.columns = tuple((self.view.units[0].id, role) for role in SiteTank.ROLES)
        self._minute = 0
        self._last: tuple[float, ...] | None = None
        self.held_up: list[tuple[int, int | None]] = []  # minutes in which the skids were not let deliver

    def fill(self, deliveries: list[list[Water]]) -> Floats:
        """States at the minute marks, first that of before, while each minute's ``deliveries`` come."""
        found = []
        for waters in deliveries:
            self.tank.step(DT, waters, self._conditions())
            self._minute += 1
            found.append(self.tank.readings())
        rows = np.array([found[0] if self._last is None else self._last, *found])
        self._last = found[-1]
        return rows

    def look(self) -> Change | None:
        """What the skids are told: nothing, or to hold their water back."""
        held = bool(self.held_up) and self.held_up[-1][1] is None
        if self.tank.full and not held:
            self.held_up.append((self._minute, None))
        elif held and not self.tank.full:
            self.held_up[-1] = self.held_up[-1][0], self._minute
        return HELD_UP[self.story.tank.when_full] if self.tank.full else None

    def _conditions(self) -> Conditions:
        now, hour = Conditions(), self._minute / 60.0
        for active in self.events:
            if active.fault.change is not None and (strong := active.strength(hour)) > 0.0:
                active.fault.change(now, strong, active.event.hours)
        return now


@dataclass
class Pad:
    """Skids, and the tank that they share if they do."""

    plants: list[SkidPlant]
    shared: SitePlant | None = None
    minute: int = 0

    def members(self) -> list[SkidPlant | SitePlant]:
        """Skids, then the shared tank."""
        return [*self.plants, *([self.shared] if self.shared else [])]

    def run(self, minutes: int) -> list[Floats]:
        """States of each member at the next ``minutes`` + 1 minute marks, as :meth:`SkidPlant.run` gives them."""
        if self.shared is None:
            return [plant.run(minutes) for plant in self.plants]
        parts: list[list[Floats]] = []
        left = minutes
        while left > 0:
            if self.minute % LOOKS == 0:
                told = self.shared.look()
                for plant in self.plants:
                    plant.told = told
            count = min(left, LOOKS - self.minute % LOOKS)
            rows = [plant.run(count) for plant in self.plants]
            both = [_delivered(plant, row) for plant, row in zip(self.plants, rows, strict=True)]
            parts.append([*rows, self.shared.fill([list(waters) for waters in zip(*both, strict=True)])])
            self.minute += count
            left -= count
        return [
            np.concatenate([rows[0][:1], *(part[1:] for part in rows)]) for rows in map(list, zip(*parts, strict=True))
        ]


def _delivered(plant: SkidPlant, rows: Floats) -> list[Water]:
    """What a skid sends to the tank in each minute of ``rows``."""
    outlet = plant.train.ids.get("outlet", "outlet")
    flow, divert, density, salt = (rows[1:, plant.columns.index((outlet, role))].tolist() for role in DELIVERS)
    warm = plant.train.celsius
    return [Water(0.0 if back else f, d, s, warm) for f, back, d, s in zip(flow, divert, density, salt, strict=True)]


def pads(scenario: Scenario, chosen: list[str], seed: int) -> Iterator[Pad]:
    """The pads of the ``chosen`` skids, in the order of their first skids."""
    fleet = scenario.fleet
    groups: dict[str, list[str]] = {}
    for name in chosen:
        skid = fleet.skid(name)
        stood = fleet.placement_at(skid, scenario.start) if skid else None
        site = fleet.site(stood.site) if stood else None
        groups.setdefault(f"site {site.id}" if site and site.units else name, []).append(name)
    for where, names in groups.items():
        plants = [SkidPlant(scenario, name, seed) for name in names]
        site = fleet.site(where.removeprefix("site ")) if where.startswith("site ") else None
        yield Pad(plants, SitePlant(scenario, site, plants, seed) if site else None)
