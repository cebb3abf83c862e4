"""Detectors that are simple enough to know by heart what they must say."""

# ruff: noqa: ARG002 - the protocol gives the arguments

from __future__ import annotations

import numpy as np

from analytics.detectors.base import Coverage, Draft, NothingLearnt, Progress, State


class HighState(State):
    """Minutes in a row above the limit, and the onset of what is open."""

    above: int = 0
    onset: int | None = None


class High(NothingLearnt):
    """Opens when a role's value has been above a limit for three minutes; closes when it is not."""

    version = 1
    state = HighState

    def __init__(self, name, unit_type, role, limit, kind, cause=None):
        self.name, self.unit_type, self.role, self.limit = name, unit_type, role, limit
        self.kind, self.kinds, self.cause = kind, frozenset({kind}), cause

    def needs(self, unit, skid):
        """Its one role."""
        return Coverage(self.kinds if unit.has(self.role) else frozenset())

    def start(self, unit, skid):
        """Nothing seen."""
        return HighState()

    def step(self, unit, skid, block, state):
        """As the class says; a minute without a value changes nothing."""
        limit = self.limit if isinstance(self.limit, float) else unit.limits[self.limit]
        above, onset, drafts = state.above, state.onset, []
        for minute, value in zip(block.minutes.tolist(), block.clean(unit.id, self.role), strict=True):
            if np.isnan(value):
                continue
            if value > limit:
                above += 1
                if above == 3:
                    onset = minute - 2
                    drafts.append(self._draft(unit, minute, onset, None))
            else:
                if onset is not None:
                    drafts.append(self._draft(unit, minute, onset, minute))
                above, onset = 0, None
        return HighState(above=above, onset=onset), drafts

    def _draft(self, unit, minute, onset, ended):
        return Draft(minute, self.kind, str(onset), onset, "medium", 0.9, unit.id, cause=self.cause, ended=ended)


class Faulty(High):
    """One that cannot bear a value above its limit, and learns for ever."""

    def step(self, unit, skid, block, state):
        """Fails where its likes would speak."""
        if np.nanmax(block.clean(unit.id, self.role), initial=0.0) > self.limit:
            raise ZeroDivisionError(self.name)
        return state, []

    def progress(self, unit, state):
        """Not there yet."""
        return Progress(0.0, 5.0)


DP = High("toy-dp", "media_filter", "dp", "dp_terminal", "dp-rise", "oil-slug")
OIL = High("toy-oil", "weir_tank", "outlet_oil", 150.0, "oil-carry-over", "slug")
TOYS = {d.name: d for d in (DP, OIL)}
