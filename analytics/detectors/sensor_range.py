"""A reading outside its range (docs/detectors/sensor_range.md). Cleaning flags the minutes; this says it.

A signal that crept up to its range's end and is held just beyond it is alive: there the plant is beyond the range, of
which its own detectors speak, and the instrument is not ill.
"""

from __future__ import annotations

from typing import ClassVar, Final

import numpy as np
from pydantic import Field

from analytics.conditions import forward
from analytics.detectors.base import Coverage, Draft, NothingLearnt, State
from analytics.episodes import Episode, Episodes, ordered, own_roles, watch
from analytics.evidence import digits
from analytics.frame import Block, Channel, Flag, Mask
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, Number, RuledOut

AFTER: Final = 15  # minutes outside: common practice, no source
UNTIL: Final = 5  # minutes inside
LIVE: Final = 0.04  # of span beyond the upper end, up to which a signal is alive: 20.5 mA of NAMUR NE 43 are 3.1 %
NEAR: Final = 0.1  # of span below that end, where the last reading in service must have been
STEP: Final = "Suggest checking the transmitter, its wiring and its range against the fleet file, per site procedure."


class RangeState(Episodes):
    """``last``: each role's last reading in service, in its unit."""

    last: dict[str, float] = Field(default_factory=dict)


class SensorRange(NothingLearnt):
    """Kind ``sensor-out-of-range`` of any instrument with a range."""

    name: ClassVar[str] = "sensor_range"
    version: ClassVar[int] = 2
    kinds: ClassVar[frozenset[str]] = frozenset({"sensor-out-of-range"})
    unit_type: ClassVar[str] = "*"
    state: ClassVar[type[State]] = RangeState

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """Any instrument whose range the fleet file gives."""
        return Coverage(self.kinds if _roles(unit, skid) else frozenset())

    def start(self, unit: UnitView, skid: SkidView) -> RangeState:  # noqa: ARG002
        """Nothing outside."""
        return RangeState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """Minutes flagged RANGE against minutes that measure."""
        assert isinstance(state, RangeState)
        by, last, drafts = dict(state.by), dict(state.last), list[Draft]()
        for role in _roles(unit, skid):
            channel = block.get(unit.id, role)
            if channel is None:
                continue
            outside = ((channel.flags & int(Flag.RANGE)) != 0) & ~_beyond(unit, role, channel, block, last)
            by[role], said = watch(
                block.minutes, outside, channel.usable, by.get(role, Episode()), after=AFTER, until=UNTIL,
                say=lambda i, onset, r=role, c=channel: _draft(unit, r, c, int(block.minutes[i]), onset, i),  # type: ignore[misc]
            )  # fmt: skip
            drafts += said
        return RangeState(by=by, last=last), ordered(drafts)


PLUGIN = SensorRange()


def _roles(unit: UnitView, skid: SkidView) -> list[str]:
    return [role for role in own_roles(unit, skid) if unit.instruments[role].range is not None]


def _beyond(unit: UnitView, role: str, channel: Channel, block: Block, last: dict[str, float]) -> Mask:
    """Minutes in which a live signal shows that the plant is beyond the range; ``last`` is brought up to date."""
    span = unit.instruments[role].range
    assert span is not None
    zero = unit.shown(role, 0.0)[0]
    own = unit.shown(role, 1.0)[0] - zero  # of the instrument's unit in one of the role's
    end, wide = (span[1] - zero) / own, (span[1] - span[0]) / own
    serves = channel.usable & block.running & ~block.settling
    if unit.id in block.washing:
        serves &= ~block.washing[unit.id]
    before = forward(np.where(serves, channel.value, np.nan), last.get(role))
    if np.isfinite(before[-1]):
        last[role] = float(before[-1])
    return np.asarray((before >= end - NEAR * wide) & (channel.value > end) & (channel.value <= end + LIVE * wide))


def _draft(unit: UnitView, role: str, channel: Channel, minute: int, onset: int, i: int) -> Draft:
    span = unit.instruments[role].range
    assert span is not None
    reading, code = unit.shown(role, float(channel.value[i]))
    # The range is in the instrument's own unit, which is the one shown, except for a ppm that is reckoned in mg/L.
    own = unit.instruments[role].unit
    numbers = [Number(name="reading", value=digits(reading), unit=code, tag=channel.tag)]
    numbers += [Number(name=f"range_{name}", value=v, unit=own) for name, v in zip(("low", "high"), span, strict=True)]
    return Draft(
        minute=minute,
        kind="sensor-out-of-range",
        run_key=str(onset),
        onset=onset,
        severity="low",
        confidence=0.9,
        unit=channel.tag,
        evidence=Evidence(numbers=tuple(numbers)),
        ruled_out=(RuledOut(what="a short spike", why=f"it has been outside for {minute - onset + 1} minutes"),),
        first_step=STEP,
    )
