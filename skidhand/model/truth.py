"""The truth file: what a simulated plant really did. Only scoring reads it, never a detector."""

from __future__ import annotations

from typing import Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, model_validator

from skidhand.model.kinds import KINDS, CauseClass


class Shape(BaseModel):
    """A block of the file: unknown keys are errors, values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class TruthEvent(Shape):
    """One thing that happened. ``kind`` is the finding that it should lead to, None for one that must not.

    A good engineer with all readings could first know at ``knowable``; at ``too_late`` the harm is done;
    ``ended`` is None while it still goes on at the file's end. ``required`` False: a finding about it is
    right, none is not wrong (a filter run that is still going on, oil that comes back with wash water, what is
    too late only after the file's end).
    A look-alike may have a kind of an instrument or of the link, never one of the equipment.
    """

    id: str
    event: str
    skid: str
    unit: str | None = None
    tag: str | None = None
    kind: str | None = None
    cause: str | None = None
    cause_class: CauseClass | None = None
    lookalike: bool = False
    required: bool = True
    severity: float = Field(1.0, gt=0)
    onset: AwareDatetime
    knowable: AwareDatetime | None = None
    too_late: AwareDatetime | None = None
    ended: AwareDatetime | None = None

    @model_validator(mode="after")
    def _consistent(self) -> TruthEvent:
        if self.kind is not None and self.kind not in KINDS:
            raise ValueError(f"no finding kind {self.kind!r}; there are {', '.join(KINDS)}")
        if self.kind is None and not self.lookalike:
            raise ValueError(f"{self.id}: a fault needs the kind of finding that it should lead to")
        return self


class Backwash(Shape):
    """One wash of a filter; pressures in kPa, resistance over that of the clean bed."""

    skid: str
    unit: str
    by: Literal["person", "controller"]
    start: AwareDatetime
    end: AwareDatetime
    dp_before: float
    resistance_before: float
    resistance_after: float


class Truth(Shape):
    """The file; times in UTC, events in order of onset."""

    v: Literal[1] = 1
    scenario: str
    fleet: str
    seed: int
    start: AwareDatetime
    end: AwareDatetime
    skids: tuple[str, ...]
    sites: tuple[str, ...] = ()  # that speak for themselves, of a tank that their skids share
    events: tuple[TruthEvent, ...]
    backwashes: tuple[Backwash, ...] = ()
