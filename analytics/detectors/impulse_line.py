"""A pressure line that seems plugged (docs/detectors/impulse_line.md).

Told by a drop that stays when the flow has gone, or by a pressure that has become quiet while its partners have not
(:mod:`analytics.damped`).
"""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar, Final

import numpy as np
from pydantic import Field

from analytics import damped
from analytics.bins import Part, Rows, parts
from analytics.conditions import forward
from analytics.damped import Damping, Word
from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.episodes import Episode, ordered, watch
from analytics.evidence import number, plain
from analytics.frame import F64, Block
from analytics.masks import flow_low
from analytics.scatter import restless, span_of, within
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, RuledOut
from skidhand.unit_types.base import PRESSURE

# Common practice, no source.
AFTER: Final = 10  # minutes without flow in which a drop must have gone
STAYS: Final = 0.3  # of the drop in service
TYPES: Final = ("strainer", "media_filter")
PART: Final = 30  # minutes
ENOUGH: Final = 15
STEP: Final = "Suggest checking the impulse lines and the zero of the transmitter, per site procedure."


class LineState(State):
    """``drop`` in service, kPa; ``flowed``, ``ran``: last minute with flow, and in service; minutes of the part under
    way; each reading's scatter, the minute since when it is quiet, and what was said of those that are damped."""

    drop: float | None = None
    flowed: int | None = None
    ran: int | None = None
    episode: Episode = Field(default_factory=Episode)
    rest: Rows = ()
    damping: dict[str, Damping] = Field(default_factory=dict)
    since: dict[str, int] = Field(default_factory=dict)
    told: dict[str, Draft] = Field(default_factory=dict)


class ImpulseLine:
    """Kind ``impulse-line-plugged`` of a pressure or a differential pressure."""

    name: ClassVar[str] = "impulse_line"
    version: ClassVar[int] = 3
    kinds: ClassVar[frozenset[str]] = frozenset({"impulse-line-plugged"})
    unit_type: ClassVar[str] = "*"
    state: ClassVar[type[State]] = LineState
    learns: ClassVar[Learns] = Learns(roles=frozenset({"*"}))

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """A differential pressure and the flow that makes it, or a pressure with a partner on its unit."""
        missing = ("flow: no flow, no drop",) if _has_drop(unit) and not unit.has("flow") else ()
        alone = len(restless(unit, skid)) < 2
        if _pressures(unit, skid) and alone:
            missing = (*missing, "another periodic reading on the unit: a quiet pressure alone says nothing")
        if (_has_drop(unit) and unit.has("flow")) or (_pressures(unit, skid) and not alone):
            return Coverage(self.kinds, weaker=missing)
        return Coverage(frozenset(), missing=missing)

    def start(self, unit: UnitView, skid: SkidView) -> LineState:  # noqa: ARG002
        """Nothing known."""
        return LineState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """Each minute without flow, long enough after the last with it; and medians of half an hour in service."""
        assert isinstance(state, LineState)
        s, drafts = state.model_copy(), list[Draft]()
        if _has_drop(unit) and unit.has("flow"):
            drafts += _drop(unit, skid, block, s)
        if _pressures(unit, skid):
            drafts += _scatter(unit, skid, block, s)
        return s, ordered(drafts)

    def progress(self, unit: UnitView, state: State) -> Progress | None:  # noqa: ARG002
        """Of the readings that are there, the one that is least far."""
        assert isinstance(state, LineState)
        left = [len(d.learning) for d in state.damping.values() if d.scatter is None and d.learning]
        return Progress(min(left) * PART / 60, damped.LEARN * PART / 60) if left else None


PLUGIN = ImpulseLine()


def _has_drop(unit: UnitView) -> bool:
    return unit.type.name in TYPES and unit.has("dp")


def _pressures(unit: UnitView, skid: SkidView) -> list[str]:
    """Gauge pressures. A drop's scatter goes with the drop, which a bed or a screen changes every hour."""
    return [role for role in restless(unit, skid) if unit.type.roles[role].unit == PRESSURE and role != "dp"]


def _drop(unit: UnitView, skid: SkidView, block: Block, s: LineState) -> list[Draft]:
    flow, drop = block.clean(unit.id, "flow"), block.clean(unit.id, "dp")
    washing = block.washing.get(unit.id, np.zeros(len(block), dtype=np.bool_))
    low = max(flow_low(skid) / max(len(skid.of_type(unit.type.name)), 1), 1e-9)
    serves = (flow > low) & ~washing & ~block.settling & np.isfinite(drop)
    usual = forward(np.where(serves, drop, np.nan), s.drop)
    flowed = forward(np.where(~(np.abs(flow) < low / 10.0) | washing, block.minutes, np.nan), _first(s.flowed, block))
    stands = block.minutes - flowed >= AFTER
    stays = stands & (drop > STAYS * usual) & (usual > 0)
    gone = stands & (drop < STAYS / 2.0 * usual)
    s.episode, drafts = watch(
        block.minutes, stays, gone, s.episode, after=AFTER, until=AFTER,
        say=lambda i, onset: _draft(unit, block, drop, usual, flow, i, onset),
    )  # fmt: skip
    last = float(usual[-1])
    s.drop, s.flowed = last if np.isfinite(last) else None, int(flowed[-1])
    return drafts


def _scatter(unit: UnitView, skid: SkidView, block: Block, s: LineState) -> list[Draft]:
    roles, pressures = restless(unit, skid), _pressures(unit, skid)
    columns = [f for role in roles for f in (within(block, unit, role), block.clean(unit.id, role))]
    usable = block.running & ~block.settling
    s.rest, ended = parts(s.rest, block.minutes, columns, usable, size=PART, enough=ENOUGH)
    s.damping, s.since, s.told = dict(s.damping), dict(s.since), dict(s.told)
    ran = forward(np.where(block.running, block.minutes, np.nan), _first(s.ran, block))
    s.ran = int(ran[-1])
    least = {role: damped.RESOLVED * span_of(unit, role) for role in roles}
    happens: list[tuple[int, Part | None]] = [(part.end, part) for part in ended]
    happens += [(int(minute), None) for minute in block.minutes[block.minutes - ran == AFTER]]
    drafts = list[Draft]()
    for minute, part in sorted(happens, key=lambda at: at[0]):
        if part is not None:
            now = _known(roles, part)
            words = damped.judge(pressures, now, s.damping, least)
            s.since |= {role: part.first for role in now if s.damping[role].quiet == 1}
        else:
            i = minute - int(block.minutes[0])
            here = {role: float(v) for role in pressures if np.isfinite(v := block.clean(unit.id, role)[i])}
            words = damped.at_stop(pressures, here, s.damping)
        for word in words:
            lasted = 0 if part is None else damped.AGAIN * PART - 1
            drafts.append(_told(unit, word, minute, minute - lasted, s))
    return drafts


def _known(roles: list[str], part: Part) -> dict[str, tuple[float, float]]:
    pairs = zip(roles, part.middle[::2], part.middle[1::2], strict=True)
    return {role: (scatter, height) for role, scatter, height in pairs if scatter is not None and height is not None}


def _first(known: int | None, block: Block) -> float:
    return float(block.minutes[0]) if known is None else float(known)


def _told(unit: UnitView, word: Word, minute: int, since: int, s: LineState) -> Draft:
    """The draft that a word makes, kept for the next; what is free again has been so ``since``."""
    role = word.role
    if word.what == "free":
        told = s.told.pop(role)
        return replace(told, minute=minute, ended=max(since, told.onset))
    if word.what == "proven":
        shown = RuledOut(
            what="damping set higher", why=f"{AFTER} minutes after a stop it still stood up, its partner not"
        )
        kept = tuple(r for r in s.told[role].ruled_out if r.what != shown.what)
        s.told[role] = replace(s.told[role], minute=minute, confidence=0.9, ruled_out=(*kept, shown))
        return s.told[role]
    usual = s.damping[role].scatter
    assert usual is not None
    onset = s.since[role]
    s.told[role] = Draft(
        minute=minute,
        kind="impulse-line-plugged",
        run_key=str(onset),
        onset=onset,
        severity="low",
        confidence=0.6,
        unit=unit.tags[role],
        cause="plugged",
        evidence=Evidence(
            numbers=(
                number(unit, role, "scatter", word.times * usual, difference=True),
                number(unit, role, "scatter_usual", usual, difference=True),
                plain("scatter_by_usual", word.times),
                plain("partners_by_usual", word.partners),
            )
        ),
        ruled_out=(
            RuledOut(what="a quiet plant", why=f"the unit's other readings scatter {word.partners:.1f} times as usual"),
            RuledOut(what="frozen", why="it still moves, slowly"),
        ),
        first_step=STEP,
    )
    return s.told[role]


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
