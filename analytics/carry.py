"""What cleaning remembers from one block to the next: small, JSON, and enough that cuts do not matter."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class TagCarry(BaseModel):
    """One instrument, in its declared unit. Minutes count from the Unix epoch."""

    model_config = ConfigDict(extra="forbid")

    context: list[float] = []  # its last usable samples, oldest first
    last: float | None = None  # its last sample's value, None when that was not usable
    last_minute: int | None = None
    previous: float | None = None  # the value at which it last stood, for the frozen test
    still: int = 0  # minutes that it has stood while its partners moved
    moved: int = 0  # minutes in which it moved, of those judged
    judged: int = 0
    lively: bool = False  # it used to move in most minutes


class WashCarry(BaseModel):
    """One media filter."""

    model_config = ConfigDict(extra="forbid")

    washing: bool = False
    resistance: list[float] = []  # recent dp over flow, where washes must be inferred
    low: int = 0  # minutes since the resistance collapsed
    back: int = 1000  # minutes of flow since there was none


class Carry(BaseModel):
    """One skid. ``None`` stands for "not yet known"."""

    model_config = ConfigDict(extra="forbid")

    tags: dict[str, TagCarry] = {}
    washes: dict[str, WashCarry] = {}
    last_heard: int | None = None  # last minute with any sample of the skid
    resumed: int | None = None  # first minute after the last long silence
    running: bool | None = None
    edge: int | None = None  # minute of the last start, stop or wash
