"""Filter fouling: when the next backwash is due, and whether the last ones cleaned the bed.

See docs/detectors/dp_rise.md; how a filter's minutes are followed is in :mod:`analytics.filter_walk`.
"""

from __future__ import annotations

from typing import ClassVar

from analytics.conditions import water_at
from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.filter_walk import FilterState, FilterWalk
from analytics.forecast import FEW_RUNS
from analytics.frame import Block
from skidhand.fleet import SkidView, UnitView


class DpRise:
    """Kinds ``dp-rise`` and ``incomplete-backwash`` of a media filter."""

    name: ClassVar[str] = "dp_rise"
    version: ClassVar[int] = 2
    kinds: ClassVar[frozenset[str]] = frozenset({"dp-rise", "incomplete-backwash"})
    unit_type: ClassVar[str] = "media_filter"
    state: ClassVar[type[State]] = FilterState
    learns: ClassVar[Learns] = Learns(
        parts=frozenset({"media"}),
        roles=frozenset({"dp", "flow", "inlet_pressure", "outlet_pressure"}),
        keeps=frozenset({"washes", "flow0"}),
        stays=frozenset({"incomplete-backwash"}),
    )

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """A drop, or two pressures; the rest makes it better."""
        if not (unit.has("dp") or unit.has("inlet_pressure", "outlet_pressure")):
            return Coverage(frozenset(), missing=("dp, or inlet_pressure and outlet_pressure",))
        weaker = []
        if not unit.has("flow"):
            weaker.append("flow: a flow step looks like fouling, and runs are compared by hours")
        if not unit.has("backwash"):
            weaker.append("backwash: washes are seen by the drop's collapse, some minutes late")
        if water_at(unit, skid).tag is None:
            weaker.append("temperature: cold water looks like fouling")
        return Coverage(self.kinds, weaker=tuple(weaker))

    def start(self, unit: UnitView, skid: SkidView) -> FilterState:  # noqa: ARG002
        """Reference flow is the filter's share of design flow, else the first flow that is judged."""
        filters = len(skid.of_type("media_filter"))
        return FilterState(flow0=None if skid.design_flow is None else skid.design_flow / filters)

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """Minute by minute; the forecast is made on a grid of minutes that depends on the usual run alone."""
        assert isinstance(state, FilterState)
        return FilterWalk(unit, skid, block, state.model_copy()).go()

    def progress(self, unit: UnitView, state: State) -> Progress | None:  # noqa: ARG002
        """Runs that make a forecast's interval more than a guess."""
        assert isinstance(state, FilterState)
        runs = max(len(state.library.runs), len(state.bank.library.runs))
        return Progress(runs, FEW_RUNS, "runs") if runs < FEW_RUNS else None


PLUGIN = DpRise()
