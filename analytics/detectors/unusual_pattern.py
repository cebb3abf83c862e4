"""Readings that do not fit each other as usual, for what has no name (docs/detectors/unusual_pattern.md).

Hourly medians of what is measured in steady service are watched together by :mod:`analytics.pattern`. What goes its own
way on any well plant (weather, beds and strainers that load, tanks that fill) is left out, and a flow that was never
seen while it learnt is no pattern: nobody knows how the readings fit there.
"""

from __future__ import annotations

from typing import ClassVar, Final

import numpy as np
from pydantic import Field

from analytics.bins import Rows, parts
from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.detectors.unplanned_stop import witness
from analytics.episodes import Episode, never, own_roles, watch
from analytics.evidence import number, plain
from analytics.frame import F64, Block
from analytics.pattern import Pattern, PatternState, Settings
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, RuledOut

# Common practice, no source: chosen on simulated seeds below 100 so that well plants stay below three quarters of it.
PART: Final = 60  # minutes
ENOUGH: Final = 45
SETTINGS: Final = Settings(learn=96, rise=3, fall=12, alpha=1e-12, slow=50.0)
FLOW_OFF: Final = 0.05  # by which a flow may leave the span that was seen
LEAST: Final = 4  # readings
THERE: Final = 0.9  # of the hours to learn from, in which a reading must be known to take part
SHOWN: Final = 3  # instruments that are named
OWN_WAY: Final = frozenset({"temperature", "ambient_temperature", "line_temperature", "stator_temperature"})
LEFT_OUT: Final = frozenset({
    ("media_filter", "dp"), ("strainer", "dp"), ("buffer_tank", "level"), ("chemical", "level"),
    ("weir_tank", "sludge_level"),
    ("filter_press", "feed_pressure"), ("filter_press", "feed_flow"), ("media_filter", "backwash_flow"),
})  # fmt: skip
STEP: Final = "Suggest looking at the trends of the instruments named, side by side, before anybody goes there."


class UnusualState(State):
    """Minutes of the hour under way; hours to learn from; readings that were there then (places in the list) and their
    watch; the span of flows seen; and what was said."""

    rest: Rows = ()
    learning: Rows = ()
    chosen: tuple[int, ...] = ()
    pattern: PatternState = PatternState()
    flows: tuple[float, float] | None = None
    episode: Episode = Field(default_factory=Episode)


class UnusualPattern:
    """Kind ``unusual-pattern`` of the skid."""

    name: ClassVar[str] = "unusual_pattern"
    version: ClassVar[int] = 1
    kinds: ClassVar[frozenset[str]] = frozenset({"unusual-pattern"})
    unit_type: ClassVar[str] = "skid"
    state: ClassVar[type[State]] = UnusualState
    learns: ClassVar[Learns] = Learns()

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:  # noqa: ARG002
        """Some readings, one of them a flow."""
        if witness(skid) is None or len(_readings(skid)) < LEAST:
            return Coverage(frozenset(), missing=("a flow and three readings more",))
        return Coverage(self.kinds)

    def start(self, unit: UnitView, skid: SkidView) -> UnusualState:  # noqa: ARG002
        """Nothing learnt."""
        return UnusualState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """A point of all readings at the end of each steady hour."""
        assert isinstance(state, UnusualState)
        s, readings = state.model_copy(), _readings(skid)
        found = witness(skid)
        assert found is not None
        flow = np.sum([block.clean(name, found[0]) for name in found[1]], axis=0)
        washing = np.any([never(block.minutes), *block.washing.values()], axis=0)
        usable = block.running & ~block.settling & ~washing & np.isfinite(flow)
        columns = [flow, *(block.clean(*key) for key in readings)]
        s.rest, ended = parts(s.rest, block.minutes, columns, usable, size=PART, enough=ENOUGH)
        if not ended:
            return s, []
        on, off = never(block.minutes), never(block.minutes)
        seen: dict[int, tuple[F64, F64, F64, float]] = {}
        pattern = Pattern(SETTINGS, s.pattern)
        for part in ended:
            if not pattern.ready:
                pattern = _learn(s, part.middle)
                continue
            point = np.array([np.nan if x is None else x for x in part.middle])
            if not _known_flow(s, float(point[0])):
                continue
            i = part.end - int(block.minutes[0])
            pattern.step(point[1:][list(s.chosen)])
            on[i], off[i] = pattern.unusual, not pattern.unusual
            if pattern.unusual:
                seen[i] = pattern.contributions(), pattern.now(), pattern.usual(), pattern.share
        s.pattern = pattern.state()
        readings = [readings[k] for k in s.chosen]
        s.episode, drafts = watch(
            block.minutes, on, off, s.episode, after=1, until=1,
            say=lambda i, onset: _draft(unit, skid, int(block.minutes[i]), onset, readings, *seen[i]),
        )  # fmt: skip
        return s, drafts

    def progress(self, unit: UnitView, state: State) -> Progress | None:  # noqa: ARG002
        """Hours that make the usual."""
        assert isinstance(state, UnusualState)
        return None if state.pattern.scale else Progress(len(state.learning), SETTINGS.learn)


PLUGIN = UnusualPattern()


def _readings(skid: SkidView) -> list[tuple[str, str]]:
    """(unit, role) of each instrument that measures something which is steady on a well plant."""
    return [
        (unit.id, role)
        for unit in skid.units
        for role in own_roles(unit, skid)
        if (unit.type.name, role) not in LEFT_OUT
        and role not in OWN_WAY
        and not unit.type.roles[role].state
        and unit.instruments[role].states is None
        and not unit.instruments[role].total
    ]


def _learn(s: UnusualState, middle: tuple[float | None, ...]) -> Pattern:
    """One hour more; the watch begins with what was read in nearly all of them."""
    s.learning = (*s.learning, middle)
    pattern = Pattern(SETTINGS, PatternState())
    if len(s.learning) < SETTINGS.learn:
        return pattern
    points = np.array([[np.nan if x is None else x for x in line] for line in s.learning])
    s.learning, s.flows = (), (float(points[:, 0].min()), float(points[:, 0].max()))
    there = np.isfinite(points[:, 1:]).mean(axis=0) >= THERE
    s.chosen = tuple(np.flatnonzero(there).tolist())
    if len(s.chosen) < LEAST:
        return pattern  # begins anew
    points = points[:, 1:][:, there]
    for point in np.where(np.isfinite(points), points, np.nanmedian(points, axis=0)):
        pattern.step(point)
    return pattern


def _known_flow(s: UnusualState, flow: float) -> bool:
    """Is it within what was seen while it learnt?"""
    assert s.flows is not None
    return (1.0 - FLOW_OFF) * s.flows[0] <= flow <= (1.0 + FLOW_OFF) * s.flows[1]


def _draft(
    unit: UnitView, skid: SkidView, minute: int, onset: int, readings: list[tuple[str, str]],
    parts_of: F64, now: F64, usual: F64, share: float,
) -> Draft:  # fmt: skip
    numbers = [plain("times_limit", share)]
    for k in np.argsort(parts_of)[::-1][:SHOWN].tolist():
        one, role = skid.by_id[readings[k][0]], readings[k][1]
        tag = one.tags[role]
        numbers.append(plain(f"share_{tag}", 100.0 * float(parts_of[k]), "%"))
        numbers.append(number(one, role, f"{role}_{tag}", float(now[k])))
        numbers.append(number(one, role, f"{role}_{tag}_usual", float(usual[k])))
    first = onset - SETTINGS.rise * PART + 1
    return Draft(
        minute=minute,
        kind="unusual-pattern",
        run_key=str(onset),
        onset=max(first, 0),
        severity="low",
        confidence=0.5,
        unit=unit.id,
        evidence=Evidence(numbers=tuple(numbers)),
        ruled_out=(
            RuledOut(what="another load", why="the flow lies within what was seen while the usual was learnt"),
            RuledOut(what="noise", why=f"it has been so for {SETTINGS.rise} steady hours"),
        ),
        first_step=STEP,
    )
