"""A pressure line that seems plugged: a drop that stays when the flow has gone (docs/detectors/impulse_line.md)."""

from __future__ import annotations

from typing import ClassVar, Final

import numpy as np
from pydantic import Field

from analytics.conditions import forward
from analytics.detectors.base import Coverage, Draft, NothingLearnt, State
from analytics.episodes import Episode, watch
from analytics.evidence import number, plain
from analytics.frame import F64, Block
from analytics.masks import flow_low
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, RuledOut

# Common practice, no source.
AFTER: Final = 10  # minutes without flow in which a drop must have gone
STAYS: Final = 0.3  # of the drop in service
TYPES: Final = ("strainer", "media_filter")
STEP: Final = "Suggest checking the impulse lines and the zero of the transmitter, per site procedure."


class LineState(State):
    """``drop`` in service, kPa; ``flowed``: last minute with flow."""

    drop: float | None = None
    flowed: int | None = None
    episode: Episode = Field(default_factory=Episode)


class ImpulseLine(NothingLearnt):
    """Kind ``impulse-line-plugged`` of a differential pressure."""

    name: ClassVar[str] = "impulse_line"
    version: ClassVar[int] = 1
    kinds: ClassVar[frozenset[str]] = frozenset({"impulse-line-plugged"})
    unit_type: ClassVar[str] = "*"
    state: ClassVar[type[State]] = LineState

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:  # noqa: ARG002
        """A differential pressure and the flow that makes it."""
        if unit.type.name not in TYPES or not unit.has("dp"):
            return Coverage(frozenset())
        return Coverage(self.kinds) if unit.has("flow") else Coverage(frozenset(), missing=("flow: no flow, no drop",))

    def start(self, unit: UnitView, skid: SkidView) -> LineState:  # noqa: ARG002
        """Nothing known."""
        return LineState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """Each minute without flow, long enough after the last with it."""
        assert isinstance(state, LineState)
        flow, drop = block.clean(unit.id, "flow"), block.clean(unit.id, "dp")
        washing = block.washing.get(unit.id, np.zeros(len(block), dtype=np.bool_))
        low = max(flow_low(skid) / max(len(skid.of_type(unit.type.name)), 1), 1e-9)
        serves = (flow > low) & ~washing & ~block.settling & np.isfinite(drop)
        usual = forward(np.where(serves, drop, np.nan), state.drop)
        flowed = forward(np.where(~(np.abs(flow) < low / 10.0) | washing, block.minutes, np.nan), _start(state, block))
        stands = block.minutes - flowed >= AFTER
        stays = stands & (drop > STAYS * usual) & (usual > 0)
        gone = stands & (drop < STAYS / 2.0 * usual)
        episode, drafts = watch(
            block.minutes, stays, gone, state.episode, after=AFTER, until=AFTER,
            say=lambda i, onset: _draft(unit, block, drop, usual, flow, i, onset),
        )  # fmt: skip
        last, seen = float(usual[-1]), float(flowed[-1])
        return LineState(drop=last if np.isfinite(last) else None, flowed=int(seen), episode=episode), drafts


PLUGIN = ImpulseLine()


def _start(state: LineState, block: Block) -> float:
    return float(block.minutes[0]) if state.flowed is None else float(state.flowed)


def _draft(unit: UnitView, block: Block, drop: F64, usual: F64, flow: F64, i: int, onset: int) -> Draft:
    return Draft(
        minute=int(block.minutes[i]),
        kind="impulse-line-plugged",
        run_key=str(onset),
        onset=onset,
        severity="low",
        confidence=0.8,
        unit=unit.tags["dp"],
        cause="plugged",
        evidence=Evidence(
            numbers=(
                number(unit, "dp", "drop_without_flow", float(drop[i]), difference=True),
                number(unit, "dp", "drop_in_service", float(usual[i]), difference=True),
                number(unit, "flow", "flow", float(flow[i])),
                plain("without_flow", float(block.minutes[i] - onset + 1 + AFTER), "min"),
            )
        ),
        ruled_out=(RuledOut(what="deposit", why="no deposit holds a drop without flow"),),
        first_step=STEP,
    )
