"""How restless a reading is within the minute, and which readings can tell."""

from __future__ import annotations

from typing import Final

import numpy as np

from analytics.cleaning import speaks_of_changes
from analytics.episodes import own_roles
from analytics.frame import F64, Block
from skidhand.fleet import SkidView, UnitView

SAMPLES: Final = 3  # in a minute, that make a scatter: common practice, no source


def restless(unit: UnitView, skid: SkidView) -> list[str]:
    """Roles of the unit's own readings with a range, but those of which the fleet file promises too few samples."""
    return [
        role
        for role in own_roles(unit, skid)
        if not unit.type.roles[role].state
        and not speaks_of_changes(unit.instruments[role])
        and unit.instruments[role].range is not None
        and not unit.instruments[role].total
        and (unit.instruments[role].expected_s or 0.0) <= 60.0 / SAMPLES
    ]


def within(block: Block, unit: UnitView, role: str) -> F64:
    """Standard deviation of the samples of each minute, in the role's unit; NaN where there are too few."""
    channel = block.get(unit.id, role)
    if channel is None:
        return np.full(len(block), np.nan)
    return np.where(channel.usable & (channel.count >= SAMPLES), channel.std, np.nan)


def span_of(unit: UnitView, role: str) -> float:
    """The width of a reading's range in the role's unit; the reading must have one."""
    span = unit.instruments[role].range
    assert span is not None
    return (span[1] - span[0]) / unit.shown(role, 1.0, difference=True)[0]
