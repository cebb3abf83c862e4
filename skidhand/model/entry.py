"""A logbook entry: what somebody did or measured (laboratory result, calibration, work, delivery)."""

from __future__ import annotations

from typing import Literal
from uuid import UUID

from pydantic import AwareDatetime, Field

from skidhand.model.finding import Shape


class Entry(Shape):
    """One entry. ``kind`` says what sort; ``skid`` is None when it concerns the whole fleet."""

    v: Literal[1] = 1
    id: UUID
    at: AwareDatetime
    kind: str = Field(pattern=r"^[a-z][a-z-]{0,31}$")
    skid: str | None = Field(None, max_length=32)
    who: str = Field(min_length=1, max_length=128)
    text: str = ""
    data: dict[str, str | float | int | bool | None] = Field(default_factory=dict)
