"""A finding: something that analytics would put its name to. Rows are append-only by (id, revision)."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Final, Literal
from uuid import UUID, uuid5

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from skidhand.model.kinds import CauseClass, Severity

MAX_POINTS: Final = 500
_NAMESPACE: Final = UUID("6f0c9d2a-6f0e-5b57-9a64-2f0d6c1b7e11")

FindingState = Literal["open", "closed", "superseded"]


class Shape(BaseModel):
    """A shared shape: unknown keys are errors and values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Number(Shape):
    """One figure of evidence in the unit the site uses (UCUM code)."""

    name: str
    value: float
    unit: str
    tag: str | None = None


class Trace(Shape):
    """One series of evidence: minutes as microseconds since the epoch, null where nothing is known."""

    name: str
    unit: str
    tag: str | None = None
    times: Annotated[tuple[int, ...], Field(max_length=MAX_POINTS)]
    values: Annotated[tuple[float | None, ...], Field(max_length=MAX_POINTS)]


class Evidence(Shape):
    """What an engineer needs to check the finding by hand."""

    numbers: tuple[Number, ...] = ()
    traces: tuple[Trace, ...] = ()
    start: AwareDatetime | None = None
    end: AwareDatetime | None = None


class RuledOut(Shape):
    """What else it could have been, and why it is not."""

    what: str
    why: str


class Forecast(Shape):
    """When something is expected, with the ends of an 80 % interval."""

    what: str
    when: AwareDatetime
    low: AwareDatetime
    high: AwareDatetime


class Finding(Shape):
    """One revision of one finding. ``unit`` is a unit's id, or a tag where the kind is an instrument's."""

    v: Literal[1] = 1
    id: UUID
    revision: int = Field(ge=1)
    state: FindingState
    kind: str
    site: str
    skid: str
    unit: str
    run_key: str
    onset: AwareDatetime
    detected: AwareDatetime
    ended: AwareDatetime | None = None
    severity: Severity
    confidence: float = Field(ge=0, le=1)
    cause: str | None = None
    cause_class: CauseClass
    root: UUID | None = None
    superseded_by: UUID | None = None
    detector: str
    detector_version: int
    fleet_version: str
    watermark: AwareDatetime
    evidence: Evidence = Evidence()
    ruled_out: tuple[RuledOut, ...] = ()
    forecast: Forecast | None = None
    first_step: str = ""
    hazards: tuple[str, ...] = ()
    late: bool = Field(False, description="found only by working in late data: never a new prompt")


def finding_id(skid: str, unit: str, kind: str, run_key: str) -> UUID:
    """UUIDv5 of what makes a finding the same finding; equal input gives equal ids on any machine."""
    return uuid5(_NAMESPACE, "\x1f".join((skid, unit, kind, run_key)))


def identity(finding: Finding) -> tuple[UUID, str, str, datetime, str | None, str]:
    """What must be equal between a live run and a replay: id, kind, unit, onset, cause, severity."""
    return finding.id, finding.kind, finding.unit, finding.onset, finding.cause, finding.severity
