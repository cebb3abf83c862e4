"""Tanks, and what is not watched yet or not now, as answers carry them: what the pages say in words."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any, Literal

from pydantic import BaseModel

from analytics.tanks import Tank
from board.attention import Matter
from skidhand.model.watched import Watched


class MatterOut(BaseModel):
    """A finding that stands, and the prompt about it."""

    finding: str
    kind: str
    unit: str
    severity: str
    cause: str | None
    onset: datetime
    state: str
    prompt: str | None


class TankOut(BaseModel):
    """A tank or drum of a skid or site (``place``). ``level`` in ``unit_code`` (UCUM), null when it is not read.

    ``share``: 0 at its lowest usable level, 1 when full. ``hours``: to ``end`` as things go, null while it stands
    still.
    """

    place: str
    unit: str
    holds: str | None
    level: float | None
    unit_code: str
    share: float | None
    read: datetime | None
    end: Literal["full", "empty"] | None
    hours: float | None


class SharedTankOut(TankOut):
    """A tank that the skids of a site share; ``matters`` worst first."""

    matters: list[MatterOut]


class LearningOut(BaseModel):
    """What of one unit (empty: the whole skid) is learnt anew, so that these kinds are not told or less surely.

    ``done`` of ``of`` in ``measure``, hours in service or runs; ``not_before``: the earliest end, if it is known.
    """

    unit: str
    kinds: list[str]
    why: str
    what: str
    since: datetime
    done: float
    of: float
    measure: Literal["h", "runs"]
    not_before: datetime | None


class NotWatchedOut(BaseModel):
    """Since when the flow is below ``least``, in which only limits, stops, tanks and data are judged."""

    since: datetime
    flow: float
    least: float
    unit: str


def matters_out(matters: Iterable[Matter]) -> list[dict[str, Any]]:
    """Each as MatterOut."""
    return [
        {"finding": str(m.finding.id), "kind": m.finding.kind, "unit": m.finding.unit,
         "severity": m.finding.severity, "cause": m.finding.cause, "onset": m.finding.onset, "state": m.state,
         "prompt": str(m.prompt.id) if m.prompt else None}
        for m in matters
    ]  # fmt: skip


def tank_out(tank: Tank) -> dict[str, Any]:
    """As TankOut."""
    return {
        "place": tank.place, "unit": tank.unit, "holds": tank.holds or None, "level": tank.level,
        "unit_code": tank.code, "share": tank.share, "read": tank.read, "end": tank.end,
        "hours": None if tank.left is None else tank.left.total_seconds() / 3600.0,
    }  # fmt: skip


def learning_out(watched: Watched | None) -> list[dict[str, Any]]:
    """Each group as LearningOut, by the detector that is least far; none when all is learnt."""
    return [
        {"unit": group.unit, "kinds": list(group.kinds), "why": group.least.why, "what": group.least.what,
         "since": group.since, "done": group.least.done, "of": group.least.of, "measure": group.least.measure,
         "not_before": group.not_before}
        for group in (watched.groups if watched is not None else ())
    ]  # fmt: skip


def not_watched_out(watched: Watched | None) -> dict[str, Any] | None:
    """As NotWatchedOut, None while the skid is watched."""
    return watched.not_watched.model_dump() if watched is not None and watched.not_watched is not None else None
