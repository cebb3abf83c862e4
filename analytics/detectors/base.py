"""What a detector is. One file a detector, exporting ``PLUGIN``; one contract suite runs over them all.

A detector sees blocks of minutes, the unit's own parameters and its state: never a clock, a store or
a configuration. How the minutes are cut into blocks must not change what it says: a state carries
everything that is needed across a cut, and the state is JSON of bounded size.

What a state has learnt of was learnt of something: of a part that wears, of an instrument, of the water of a place.
``learns`` says of what, so that the engine can begin it anew when that something is another.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar, Literal, Protocol, runtime_checkable

from pydantic import BaseModel, ConfigDict

from analytics.frame import Block
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, Forecast, RuledOut
from skidhand.model.kinds import Severity


class State(BaseModel):
    """Base of every detector's memory: JSON, bounded, copied and never changed in place by ``step``."""

    model_config = ConfigDict(extra="forbid")


@dataclass(frozen=True, slots=True)
class Coverage:
    """What a detector can watch on one unit.

    ``watched`` are the kinds it would raise, ``missing`` says in words what it lacks for the rest, and
    ``weaker`` what it could tell better with one more instrument.
    """

    watched: frozenset[str]
    missing: tuple[str, ...] = ()
    weaker: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Learns:
    """What a detector's memory was learnt of. All empty: of the place alone, and another pad begins it anew.

    ``parts``: what stands in the unit and, once renewed, makes the memory worthless (``Resets`` of the logbook's
    entries). ``roles``: roles of the unit whose instrument does the same when it was adjusted, cleaned or changed;
    ``*`` is any role. ``keeps``: fields of the state that belong to the equipment and go with it to another pad.
    ``stays``: kinds that rest on those fields alone, so that what is open of them stays open there.
    """

    parts: frozenset[str] = frozenset()
    roles: frozenset[str] = frozenset()
    keeps: frozenset[str] = frozenset()
    stays: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a memory is: ``done`` of ``of`` hours in service, or of runs between two washes."""

    done: float
    of: float
    measure: Literal["h", "runs"] = "h"


class NothingLearnt:
    """For detectors that speak from the first minute on: nothing begins anew but by another pad, unless they say so."""

    learns: ClassVar[Learns] = Learns()

    def progress(self, unit: UnitView, state: State) -> Progress | None:  # noqa: ARG002
        """Nothing to wait for."""
        return None


@dataclass(frozen=True, slots=True)
class Draft:
    """Something a detector says at the end of ``minute``; the engine makes a finding's revision of it.

    Equal (unit, kind, run_key) is the same finding; a later draft revises it, ``ended`` closes it.
    ``run_key`` must follow from the data alone, for example the first minute of the filter's run.
    Say something again only when it matters: opened, cause, severity or forecast moved, ended.
    """

    minute: int
    kind: str
    run_key: str
    onset: int
    severity: Severity
    confidence: float
    unit: str
    cause: str | None = None
    ended: int | None = None
    evidence: Evidence = field(default_factory=Evidence)
    ruled_out: tuple[RuledOut, ...] = ()
    forecast: Forecast | None = None
    first_step: str = ""


@runtime_checkable
class Detector(Protocol):
    """A detector of one unit type; ``*`` is called for every unit, for what may happen to any instrument."""

    name: ClassVar[str]
    version: ClassVar[int]
    kinds: ClassVar[frozenset[str]]
    unit_type: ClassVar[str]
    state: ClassVar[type[State]]
    learns: ClassVar[Learns]

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """What it can watch here with the instruments and parameters that there are."""
        ...

    def start(self, unit: UnitView, skid: SkidView) -> State:
        """The state before the first minute, and after anything that begins the baselines anew."""
        ...

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """The state after the block, and what there is to say, in order of ``minute``."""
        ...

    def progress(self, unit: UnitView, state: State) -> Progress | None:
        """How far it has learnt; None once what it compares with stands, and where there is nothing to learn."""
        ...


def moved(detector: Detector, unit: UnitView, skid: SkidView, state: State) -> State:
    """What is left of ``state`` on another pad: a fresh one with the fields that go with the equipment."""
    kept = {name: getattr(state, name) for name in detector.learns.keeps}
    return detector.start(unit, skid).model_copy(update=kept)
