"""A reading that stands still to the last digit while its partners move (docs/detectors/sensor_frozen.md).

Cleaning finds the minutes (flag FROZEN); this says it once, and when the reading moves again.
"""

from __future__ import annotations

from typing import ClassVar, Final

from pydantic import Field

from analytics.cleaning import speaks_of_changes
from analytics.detectors.base import Coverage, Draft, NothingLearnt, State
from analytics.evidence import number, plain
from analytics.frame import Block, Channel, Flag
from analytics.frozen import WINDOW
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, RuledOut

MOVES_AGAIN: Final = 3  # minutes with a moving reading that end it: common practice, no source
STEP: Final = "Suggest checking the transmitter, its wiring and its impulse line, per site procedure."


class FrozenState(State):
    """Per role: the minute at which it stood still (while said), and for how many minutes it has moved since."""

    since: dict[str, int] = Field(default_factory=dict)
    moving: dict[str, int] = Field(default_factory=dict)


class SensorFrozen(NothingLearnt):
    """Kind ``sensor-frozen`` of any instrument. A tag that several units share is spoken of by the first."""

    name: ClassVar[str] = "sensor_frozen"
    version: ClassVar[int] = 1
    kinds: ClassVar[frozenset[str]] = frozenset({"sensor-frozen"})
    unit_type: ClassVar[str] = "*"
    state: ClassVar[type[State]] = FrozenState

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """Any periodic reading that is no state."""
        return Coverage(self.kinds if _roles(unit, skid) else frozenset())

    def start(self, unit: UnitView, skid: SkidView) -> FrozenState:  # noqa: ARG002
        """Nothing frozen."""
        return FrozenState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """A draft at the first flagged minute and at the minute that ends it."""
        assert isinstance(state, FrozenState)
        since, moving = dict(state.since), dict(state.moving)
        drafts: list[Draft] = []
        for role in _roles(unit, skid):
            channel = block.get(unit.id, role)
            if channel is not None:
                drafts += _watch(unit, role, channel, block, since, moving)
        return FrozenState(since=since, moving=moving), sorted(drafts, key=lambda d: d.minute)


PLUGIN = SensorFrozen()


def _watch(
    unit: UnitView, role: str, channel: Channel, block: Block, since: dict[str, int], moving: dict[str, int]
) -> list[Draft]:
    flagged = (channel.flags & int(Flag.FROZEN)) != 0
    if role not in since and not flagged.any():
        return []
    drafts = []
    for i, minute in enumerate(block.minutes.tolist()):
        if flagged[i]:
            moving.pop(role, None)
            if role not in since:
                since[role] = minute - WINDOW + 1
                drafts.append(_draft(unit, role, channel, i, minute, since[role]))
        elif role in since and channel.count[i] > 0 and channel.usable[i]:
            moving[role] = moving.get(role, 0) + 1
            if moving[role] == MOVES_AGAIN:
                drafts.append(_draft(unit, role, channel, i, minute, since.pop(role), ended=minute - MOVES_AGAIN + 1))
                del moving[role]
    return drafts


def _draft(
    unit: UnitView, role: str, channel: Channel, i: int, minute: int, began: int, ended: int | None = None
) -> Draft:
    return Draft(
        minute=minute,
        kind="sensor-frozen",
        run_key=str(began),
        onset=began,
        severity="low",
        confidence=0.9,
        unit=channel.tag,
        cause="frozen",
        ended=ended,
        evidence=Evidence(
            numbers=(
                number(unit, role, "reading", float(channel.value[i])),
                plain("stood_still", float((ended or minute + 1) - began), "min"),
            )
        ),
        ruled_out=(
            RuledOut(what="a quiet plant", why="most other readings of the skid move in the same minutes"),
            RuledOut(what="a coarse or slow reading", why="this one used to move in most minutes"),
        ),
        first_step=STEP,
    )


def _roles(unit: UnitView, skid: SkidView) -> list[str]:
    """Roles of ``unit`` whose tag no earlier unit has; states and on-change readings never freeze."""
    earlier = set[str]()
    for other in skid.units:
        if other.id == unit.id:
            break
        earlier.update(other.tags.values())
    return [
        role
        for role, tag in unit.tags.items()
        if tag not in earlier
        and not unit.type.roles[role].state
        and not speaks_of_changes(unit.instruments[role])
        and not unit.instruments[role].total
    ]
