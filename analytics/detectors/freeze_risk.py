"""A line that may freeze: cold outside and nothing that keeps it warm (docs/detectors/freeze_risk.md)."""

from __future__ import annotations

from typing import ClassVar, Final

import numpy as np

from analytics.conditions import forward
from analytics.detectors.base import Coverage, Draft, NothingLearnt, State
from analytics.episodes import Episode, Episodes, watch
from analytics.evidence import number, plain
from analytics.frame import Block, Mask
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, RuledOut

AFTER: Final = 30  # minutes: common practice, no source
UNTIL: Final = 60
COLD: Final = 0.0  # °C outside: fresh water in an instrument line freezes, whatever the brine does
LINE_LOW: Final = 3.0  # °C of the line itself
WARMER: Final = 2.0  # °C by which it must be warmer again: common practice, no source
STEP: Final = "Suggest checking heat trace and insulation, and draining what stands still, per site procedure."


class FreezeState(Episodes):
    """``trace``: the last word of the heat trace."""

    trace: float | None = None


class FreezeRisk(NothingLearnt):
    """Kind ``freeze-risk`` of the skid."""

    name: ClassVar[str] = "freeze_risk"
    version: ClassVar[int] = 1
    kinds: ClassVar[frozenset[str]] = frozenset({"freeze-risk"})
    unit_type: ClassVar[str] = "skid"
    state: ClassVar[type[State]] = FreezeState

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:  # noqa: ARG002
        """The line's own temperature, or the outside one."""
        if not (unit.has("line_temperature") or unit.has("ambient_temperature")):
            return Coverage(frozenset(), missing=("line_temperature or ambient_temperature",))
        weaker = () if unit.has("heat_trace") else ("heat_trace: only lines that stand still are watched in the cold",)
        return Coverage(self.kinds, weaker=weaker)

    def start(self, unit: UnitView, skid: SkidView) -> FreezeState:  # noqa: ARG002
        """Nothing cold."""
        return FreezeState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:  # noqa: ARG002
        """The line is cold, or it is freezing outside and its trace is off, or nothing flows and nothing heats it."""
        assert isinstance(state, FreezeState)
        line, outside = block.clean(unit.id, "line_temperature"), block.clean(unit.id, "ambient_temperature")
        trace = forward(block.clean(unit.id, "heat_trace"), state.trace)
        flows = np.isfinite(outside) & block.running
        untraced = np.where(unit.has("heat_trace"), trace == 0, ~flows)
        on: Mask = (line < LINE_LOW) | ((outside < COLD) & untraced)
        off: Mask = ~on & ((line > LINE_LOW + WARMER) | np.isnan(line)) & ((outside > COLD + WARMER) | ~untraced)
        off &= np.isfinite(line) | np.isfinite(outside)
        episode, drafts = watch(
            block.minutes, on, off, state.by.get("line", Episode()), after=AFTER, until=UNTIL,
            say=lambda i, onset: _draft(unit, block, float(line[i]), float(outside[i]), float(trace[i]), i, onset),
        )  # fmt: skip
        known = float(trace[-1])
        return FreezeState(by={"line": episode}, trace=known if np.isfinite(known) else None), drafts


PLUGIN = FreezeRisk()


def _draft(unit: UnitView, block: Block, line: float, outside: float, trace: float, i: int, onset: int) -> Draft:
    flows = bool(block.running[i])
    numbers = [plain("flows", float(flows))]
    if np.isfinite(line):
        numbers.append(number(unit, "line_temperature", "line_temperature", line))
    if np.isfinite(outside):
        numbers.append(number(unit, "ambient_temperature", "ambient_temperature", outside))
    ruled_out = []
    if np.isfinite(trace):
        numbers.append(plain("heat_trace", trace))
        if trace == 0:
            ruled_out.append(RuledOut(what="a line that is kept warm", why="its heat trace is off"))
    if not flows:
        ruled_out.append(RuledOut(what="water that is too quick to freeze", why="nothing flows"))
    return Draft(
        minute=int(block.minutes[i]),
        kind="freeze-risk",
        run_key=str(onset),
        onset=onset,
        severity="high" if line < LINE_LOW or not flows else "medium",
        confidence=0.85,
        unit=unit.id,
        evidence=Evidence(numbers=tuple(numbers)),
        ruled_out=tuple(ruled_out),
        first_step=STEP,
    )
