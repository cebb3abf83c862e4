"""One skid living through its story: the train, its feed, and the events that change its conditions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from simulator.build import build_train
from simulator.faults import FAULTS, Fault, strength
from simulator.faults.base import Change
from simulator.plant.conditions import Conditions
from simulator.plant.drops import total
from simulator.plant.feed import Feed
from simulator.plant.filter_bank import FilterBank
from simulator.plant.train import FeedNow
from simulator.plant_file import Event
from simulator.scenario import Scenario
from simulator.streams import Floats, generator
from skidhand.errors import InputFileError
from skidhand.fleet import Skid, skid_view

MINUTES_PER_HOUR = 60
STAIRS = 4
QUIET = Conditions()
SLUG_OIL = 1.5  # factor of the pad's oil from which its catch counts as a slug's
SLUG_HOURS = 2.5  # that a tank takes to pass a slug


@dataclass(frozen=True, slots=True)
class Wash:
    """A backwash of ``unit``: minutes after the start, and the bed before and after (R of a clean bed is 1).

    ``slug_share`` is the part of the deposit that slugs brought on top of what would have come anyway.
    """

    unit: str
    start: int
    end: int
    dp_before: float  # kPa
    resistance_before: float
    resistance_after: float
    oil: float  # g that the wash took off the grains
    slug_share: float


@dataclass(frozen=True, slots=True)
class Acting:
    """One event of the story with the fault behind it, its unit, and where its stairs stand (shares of duration)."""

    event: Event
    fault: Fault
    stairs: tuple[float, ...]
    unit: str | None = None

    def strength(self, hour: float) -> float:
        """How strongly it acts, ``hour`` hours after the scenario's start."""
        event = self.event
        if not event.at <= hour < event.at + event.hours + self.fault.rise_hours:
            return 0.0
        return strength(self.fault, hour - event.at, event.hours, event.severity, self.stairs)


def acting(scenario: Scenario, skid_id: str, seed: int) -> tuple[Acting, ...]:
    """The events of one skid, in the order of the file."""
    return acting_on(scenario.fleet.skid(skid_id), scenario.story(skid_id).story, seed)


def acting_on(skid: Skid | None, story: tuple[Event, ...], seed: int) -> tuple[Acting, ...]:
    """The events of ``story`` as they strike ``skid``."""
    found = []
    for i, event in enumerate(story):
        random = generator(seed, skid.id if skid else "", f"event/{i}")
        places = (np.arange(STAIRS) + random.uniform(0.1, 0.9, STAIRS)) / STAIRS * 0.9
        fault = FAULTS[event.event]
        found.append(Acting(event, fault, tuple(places.tolist()), event.unit or _first(skid, fault)))
    return tuple(found)


def _first(skid: Skid | None, fault: Fault) -> str | None:
    """The first unit of the skid that the fault can strike."""
    units = skid.units if skid else ()
    return next((unit.id for unit in units if fault.fits(unit)), None)


@dataclass(slots=True)
class Catch:
    """What a bed has caught in its present run, and when: g and minutes."""

    slug_mass: float = 0.0
    slug_minutes: int = 0
    other_mass: float = 0.0
    other_minutes: int = 0
    before: float = 0.0

    def add(self, mass: float, slug: bool, flowing: bool) -> None:
        """One more minute, after which ``mass`` lies on the grains."""
        caught, self.before = max(0.0, mass - self.before), mass
        if slug:
            self.slug_mass += caught
            self.slug_minutes += flowing
        else:
            self.other_mass += caught
            self.other_minutes += flowing

    def slug_share(self) -> float:
        """Part of the catch that slugs brought on top of the usual, 0 to 1."""
        if not self.other_minutes or not self.slug_minutes:
            return 0.0
        extra = self.slug_mass - self.other_mass / self.other_minutes * self.slug_minutes
        return max(0.0, extra) / (self.slug_mass + self.other_mass)


class SkidPlant:
    """Runs one skid minute by minute; ``columns`` name what each row of :meth:`run` holds."""

    def __init__(self, scenario: Scenario, skid_id: str, seed: int) -> None:
        skid = scenario.fleet.skid(skid_id)
        if skid is None:
            known = ", ".join(s.id for s in scenario.fleet.skids)
            raise InputFileError(f"no skid {skid_id!r} in the fleet; there are {known}")
        plant = scenario.story(skid_id).plant
        self.skid, self.view = skid, skid_view(skid)
        self.train, self.normal = build_train(skid, self.view, plant, seed)
        self._feed = Feed(seed, skid_id, plant.temperature, plant.ambient)
        self.events = acting(scenario, skid_id, seed)
        self._changes = [
            (a.event.at, a.event.at + a.event.hours + a.fault.rise_hours, a.fault.change, a)
            for a in self.events
            if a.fault.change is not None
        ]
        self._hidden = [(i, a) for i, a in enumerate(self.events) if a.fault.change and a.fault.shows]
        self._minute = 0
        self._slug_until = 0.0
        beds = self.train.filters.beds if self.train.filters else {}
        self._catches = {name: Catch(before=bed.loose.mass) for name, bed in beds.items()}
        self._washing: dict[str, tuple[int, float, float, float]] = {}
        self.washes: list[Wash] = []
        self.shown: dict[int, float] = {}  # event -> hour at which it first showed, where that depends on the plant
        every = plant.lab_every
        self._lab_minutes = None if every is None else max(1, round(every * MINUTES_PER_HOUR))
        self.grabs: list[tuple[float, float]] = []  # (hour, oil mg/L) of laboratory samples
        self.told: Change | None = None  # what the site's controller imposes
        self.columns = self.train.columns()
        self._last: list[float] | None = None

    def run(self, minutes: int) -> Floats:
        """States at the next ``minutes`` + 1 minute marks, shape (minutes + 1, columns); ``minutes`` above 0.

        The first row is the last of the call before; at the very start it equals the second.
        """
        rows = np.empty((minutes + 1, len(self.columns)))
        factors = np.column_stack(self._feed.take(minutes)).tolist()
        normal, train = self.normal, self.train
        found: list[list[float]] = []
        for inflow, setpoint, oil, solids, temperature, ambient, ripple in factors:
            now = self._conditions()
            feed = FeedNow(
                normal.inflow * inflow * now.inflow,
                normal.wanted * setpoint * now.setpoint,
                normal.oil * oil * now.oil,
                normal.solids * solids * now.solids,
                max(1.0, temperature + now.temperature),
                ambient + now.ambient,
                ripple,
            )
            self._step(feed, now)
            found.append(train.readings())
        rows[1:] = found
        rows[0] = rows[1] if self._last is None else self._last
        self._last = found[-1]
        return rows

    def _step(self, feed: FeedNow, now: Conditions) -> None:
        self.train.step(feed, now)
        if self.train.filters:
            self._follow(now, self.train.filters)
        self._minute += 1
        if self._lab_minutes and self._minute % self._lab_minutes == 0 and self.train.outlet.flow > 0.0:
            self.grabs.append((self._minute / MINUTES_PER_HOUR, total(self.train.outlet.oil)))
        for i, active in self._hidden:
            if i not in self.shown and active.fault.shows is not None:
                hour = self._minute / MINUTES_PER_HOUR
                if active.strength(hour) > 0.0 and active.fault.shows(self.train, active.unit or ""):
                    self.shown[i] = hour

    def _follow(self, now: Conditions, bank: FilterBank) -> None:
        """Book what the beds caught and how they were washed."""
        hour = self._minute / MINUTES_PER_HOUR
        if now.oil >= SLUG_OIL:
            self._slug_until = hour + SLUG_HOURS
        for name in bank.started:
            self._washing[name] = (self._minute, *bank.beds[name].loaded, self._catches[name].slug_share())
            self._catches[name] = Catch()
        for name, bed in bank.beds.items():
            self._catches[name].add(bed.loose.mass, hour < self._slug_until, bed.flow > 0.0)
        for name in bank.ended:
            start, dp, loaded, slug = self._washing.pop(name)
            bed = bank.beds[name]
            self.washes.append(Wash(name, start, self._minute + 1, dp, loaded, bed.resistance, bed.washed_oil, slug))

    def slug_share(self, unit: str) -> float:
        """Part of the present deposit of a bed that slugs brought."""
        return self._catches[unit].slug_share()

    def _conditions(self) -> Conditions:
        hour = self._minute / MINUTES_PER_HOUR
        now = QUIET
        for begin, end, change, active in self._changes:
            if not begin <= hour < end or (strong := active.strength(hour)) <= 0.0:
                continue
            if now is QUIET:
                now = Conditions()
            struck = now
            if active.fault.local and active.unit is not None:
                struck = now.units.setdefault(active.unit, Conditions())
            change(struck, strong, active.event.hours)
        if self.told is not None:
            now = Conditions() if now is QUIET else now
            self.told(now, 1.0, 0.0)
        return now


def whole_minutes(hours: float) -> int:
    """Minutes in ``hours``, rounded up."""
    return math.ceil(hours * MINUTES_PER_HOUR - 1e-9)
