"""A service's sign of life, from which ``doctor`` and the blindness watch read."""

from __future__ import annotations

from typing import Final, Literal

from pydantic import AwareDatetime, Field

from skidhand.model.finding import Shape

RETIRED: Final = "retired"
"""Note in the last heartbeat of an ingest worker whose spool and session at the broker were emptied for good."""


class Heartbeat(Shape):
    """One row per (service, instance). ``at`` is wall time whatever the stream's clock says."""

    v: Literal[1] = 1
    service: str  # ingest, analyze, alerts, tidy, board
    instance: str
    at: AwareDatetime
    version: str
    lag_s: float | None = None
    depth: int | None = None
    refusals: dict[str, int] = Field(default_factory=dict)
    doubts: dict[str, int] = Field(default_factory=dict)
    figures: dict[str, float] = Field(default_factory=dict)
    last_seen: dict[str, AwareDatetime] = Field(default_factory=dict)
    note: str = ""
