"""A skid whose stamps stand away from the time at which they arrive, by a steady amount (docs/detectors/clock_jump.md).

What a link held back falls behind by amounts that shrink as it is caught up, and nothing arrives before its own stamp.
A clock that was set wrong is off by the same amount minute after minute, with nothing that is on time.
"""

from __future__ import annotations

from typing import ClassVar, Final

import numpy as np
from pydantic import Field

from analytics.detectors.base import Coverage, Draft, NothingLearnt, State
from analytics.episodes import Episode, watch
from analytics.evidence import plain
from analytics.frame import F64, Block, Mask
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, RuledOut

# Common practice, no source; what counts as away stands in analytics.grid.
HELD: Final = 10  # minutes in which stamps and receipts must be equally far apart
STEADY: Final = 0.5  # minutes by which they may differ in that time: what catches up gains a tenth or more a minute
BACK: Final = 5  # minutes on time, after which the clock is right again
STEP: Final = "Suggest checking the gateway's clock and where it takes its time from, per site procedure."


class ClockState(State):
    """``tail``: lags of the last minutes in which anything was heard, oldest first."""

    tail: tuple[float, ...] = ()
    episode: Episode = Field(default_factory=Episode)


class ClockJump(NothingLearnt):
    """Kind ``clock-jump`` of the skid."""

    name: ClassVar[str] = "clock_jump"
    version: ClassVar[int] = 1
    kinds: ClassVar[frozenset[str]] = frozenset({"clock-jump"})
    unit_type: ClassVar[str] = "skid"
    state: ClassVar[type[State]] = ClockState

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:  # noqa: ARG002
        """Nothing but samples of any kind."""
        return Coverage(self.kinds)

    def start(self, unit: UnitView, skid: SkidView) -> ClockState:  # noqa: ARG002
        """Nothing heard."""
        return ClockState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:  # noqa: ARG002
        """Minute by minute; minutes in which nothing was heard decide nothing."""
        assert isinstance(state, ClockState)
        heard = np.flatnonzero(np.isfinite(block.lag))
        lags = np.concatenate([np.array(state.tail), block.lag[heard]])
        on, off = (np.zeros(len(block), dtype=np.bool_) for _ in range(2))
        off[heard] = block.lag[heard] == 0.0
        on[heard] = _steady(lags)[len(state.tail) :]
        episode, drafts = watch(
            block.minutes, on, off, state.episode, after=1, until=BACK,
            say=lambda i, onset: _draft(unit, onset - HELD + 1, int(block.minutes[i]), float(block.lag[i])),
        )  # fmt: skip
        return ClockState(tail=tuple(lags[-HELD + 1 :].tolist()), episode=episode), drafts


PLUGIN = ClockJump()


def _steady(lags: F64) -> Mask:
    """For each minute: have this and the HELD - 1 before it all been away, by the same amount?"""
    steady = np.zeros(len(lags), dtype=np.bool_)
    if len(lags) >= HELD and lags.any():
        windows = np.lib.stride_tricks.sliding_window_view(lags, HELD)
        steady[HELD - 1 :] = (windows != 0.0).all(axis=1) & (np.ptp(windows, axis=1) <= STEADY)
    return steady


def _draft(unit: UnitView, first: int, minute: int, lag: float) -> Draft:
    """``first``: the earliest stamp that was away. Where stamps run ahead the clock jumped when it was received."""
    ahead = lag < 0
    onset = first + round(min(lag, 0.0))
    how = "no sample can arrive before it was taken" if ahead else "what is caught up comes ever nearer to its stamp"
    return Draft(
        minute=minute,
        kind="clock-jump",
        run_key=str(first),
        onset=max(onset, 0),
        severity="low",
        confidence=0.95 if ahead else 0.8,
        unit=unit.id,
        evidence=Evidence(numbers=(plain("clock_ahead", -lag, "min"), plain("steady_for", float(HELD), "min"))),
        ruled_out=(
            RuledOut(what="a link that catches up", why=f"{how}; here stamp and receipt stay equally far apart"),
            RuledOut(
                what="single late samples", why="nine in ten samples of each minute are as far away, none on time"
            ),
        ),
        first_step=STEP,
    )
