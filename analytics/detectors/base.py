"""What a detector is. One file a detector, exporting ``PLUGIN``; one contract suite runs over them all.

A detector sees blocks of minutes, the unit's own parameters and its state: never a clock, a store or
a configuration. How the minutes are cut into blocks must not change what it says: a state carries
everything that is needed across a cut, and the state is JSON of bounded size.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar, Protocol, runtime_checkable

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

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """What it can watch here with the instruments and parameters that there are."""
        ...

    def start(self, unit: UnitView, skid: SkidView) -> State:
        """The state before the first minute, and after anything that begins the baselines anew."""
        ...

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """The state after the block, and what there is to say, in order of ``minute``."""
        ...
