"""One skid living through its story: the train, its feed, and the events that change its conditions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from simulator.build import build_train
from simulator.faults import FAULTS, Fault, strength
from simulator.plant.conditions import Conditions
from simulator.plant.feed import Feed
from simulator.plant.train import FeedNow
from simulator.scenario import Event, Scenario
from simulator.streams import Floats, generator
from skidhand.errors import InputFileError
from skidhand.fleet import skid_view

MINUTES_PER_HOUR = 60
STAIRS = 4


@dataclass(frozen=True, slots=True)
class Wash:
    """A backwash: minutes after the scenario's start, and the bed before and after (R of a clean bed is 1)."""

    start: int
    end: int
    dp_before: float  # kPa
    resistance_before: float
    resistance_after: float
    oil: float  # g that the wash took off the grains


@dataclass(frozen=True, slots=True)
class Acting:
    """One event of the story with the fault behind it and where its stairs stand (shares of its duration)."""

    event: Event
    fault: Fault
    stairs: tuple[float, ...]

    def strength(self, hour: float) -> float:
        """How strongly it acts, ``hour`` hours after the scenario's start."""
        event = self.event
        return strength(self.fault, hour - event.at, event.hours, event.severity, self.stairs)


def acting(scenario: Scenario, skid_id: str, seed: int) -> tuple[Acting, ...]:
    """The events of one skid, in the order of the file."""
    found = []
    for i, event in enumerate(scenario.story(skid_id).story):
        random = generator(seed, skid_id, f"event/{i}")
        places = (np.arange(STAIRS) + random.uniform(0.1, 0.9, STAIRS)) / STAIRS * 0.9
        found.append(Acting(event, FAULTS[event.event], tuple(places.tolist())))
    return tuple(found)


class SkidPlant:
    """Runs one skid minute by minute; ``columns`` name what each row of :meth:`run` holds."""

    def __init__(self, scenario: Scenario, skid_id: str, seed: int) -> None:
        skid = scenario.fleet.skid(skid_id)
        if skid is None:
            known = ", ".join(s.id for s in scenario.fleet.skids)
            raise InputFileError(f"no skid {skid_id!r} in the fleet; there are {known}")
        plant = scenario.story(skid_id).plant
        self.skid, self.view = skid, skid_view(skid)
        self.train, self.normal = build_train(self.view, plant, seed)
        self._feed = Feed(seed, skid_id, plant.temperature)
        events = acting(scenario, skid_id, seed)
        self._events = [a for a in events if a.fault.change is not None]
        self._minute = 0
        self._wash: tuple[int, float, float] | None = None
        self.washes: list[Wash] = []
        self.columns = self.train.columns()
        self._last: list[float] | None = None

    def run(self, minutes: int) -> Floats:
        """States at the next ``minutes`` + 1 minute marks, shape (minutes + 1, columns); ``minutes`` above 0.

        The first row is the last of the call before; at the very start it equals the second.
        """
        rows = np.empty((minutes + 1, len(self.columns)))
        block = self._feed.take(minutes)
        factors = np.column_stack(block).tolist()
        for i, (inflow, setpoint, oil, solids, temperature, ambient) in enumerate(factors):
            now = self._conditions()
            normal = self.normal
            feed = FeedNow(
                inflow=normal.inflow * inflow * now.inflow,
                wanted=normal.wanted * setpoint * now.setpoint,
                oil=normal.oil * oil * now.oil,
                solids=normal.solids * solids * now.solids,
                temperature=max(1.0, temperature + now.temperature),
                ambient=ambient,
            )
            self._step(feed, now)
            rows[i + 1] = self.train.readings()
        rows[0] = rows[1] if self._last is None else self._last
        self._last = rows[-1].tolist()
        return rows

    def _step(self, feed: FeedNow, now: Conditions) -> None:
        train = self.train
        dp, resistance = (train.filter.dp, train.filter.resistance) if train.filter else (0.0, 0.0)
        train.step(feed, now)
        if train.wash_started:
            self._wash = (self._minute, dp, resistance)
        self._minute += 1
        if train.wash_ended and train.filter and self._wash:
            start, before, loaded = self._wash
            self.washes.append(
                Wash(start, self._minute, before, loaded, train.filter.resistance, train.filter.washed_oil)
            )
            self._wash = None
            train.wash_ended = False

    def _conditions(self) -> Conditions:
        now = Conditions()
        hour = self._minute / MINUTES_PER_HOUR
        for active in self._events:
            strong = active.strength(hour)
            if strong > 0.0 and active.fault.change is not None:
                active.fault.change(now, strong, active.event.hours)
        return now


def whole_minutes(hours: float) -> int:
    """Minutes in ``hours``, rounded up."""
    return math.ceil(hours * MINUTES_PER_HOUR - 1e-9)
