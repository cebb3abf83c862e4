"""Readings that do not fit each other as usual, for what has no name (docs/detectors/unusual_pattern.md).

Hourly medians of what is measured in steady service are watched together by :mod:`analytics.pattern`. What goes its
own way on any well plant (weather, beds and strainers that load, tanks that fill) is left out, and a pressure before
beds is taken less their drop where that makes it steadier. Water of a flow or a warmth that was never seen while it
learnt is no pattern: how readings fit there is learnt if it lasts.
"""

from __future__ import annotations

from typing import ClassVar, Final

import numpy as np
from pydantic import Field

from analytics.bins import Rows, parts
from analytics.conditions import water_at
from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.detectors.unplanned_stop import witness
from analytics.episodes import Episode, never, own_roles, watch
from analytics.evidence import number, plain
from analytics.frame import F64, Block, Mask
from analytics.pattern import Pattern, PatternState, Settings
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, RuledOut
from skidhand.unit_types.base import PRESSURE

# Common practice, no source: chosen on simulated seeds below 100 so that well plants stay below three quarters of it.
PART: Final = 60  # minutes
ENOUGH: Final = 45
SETTINGS: Final = Settings(learn=96, rise=3, fall=12, alpha=1e-12, slow=50.0)
FLOW_OFF: Final = 0.05  # by which a flow may leave the span that was seen
WARM_OFF: Final = 2.0  # K, likewise of the water
ELSEWHERE: Final = 48  # steady hours in a row outside of them, after which what is usual there is learnt
OFTEN: Final = 2.0  # times what came while it learnt (what a wash brings back, say), that is not unusual,
MOST_OFTEN: Final = 4.0  # but never more of the limit than this: a trouble while it learnt must not blind it
FIRST: Final = 2  # column of the first reading, behind flow and temperature
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
    watch; the spans of flow and temperature seen (None unknown); hours in a row outside; share of the limit
    that comes often; and what was said."""

    rest: Rows = ()
    learning: Rows = ()
    chosen: tuple[int, ...] = ()
    pattern: PatternState = PatternState()
    flows: tuple[float, float] | None = None
    warmth: tuple[float, float] | None = None
    elsewhere: int = 0
    often: float = 1.0
    episode: Episode = Field(default_factory=Episode)


class UnusualPattern:
    """Kind ``unusual-pattern`` of the skid."""

    name: ClassVar[str] = "unusual_pattern"
    version: ClassVar[int] = 2
    kinds: ClassVar[frozenset[str]] = frozenset({"unusual-pattern"})
    unit_type: ClassVar[str] = "skid"
    state: ClassVar[type[State]] = UnusualState
    learns: ClassVar[Learns] = Learns()

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:  # noqa: ARG002
        """Some readings, one of them a flow."""
        if witness(skid) is None or sum(not less for _, _, less in _readings(skid)) < LEAST:
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
        celsius = water_at(skid.by_id[found[1][0]], skid).celsius(block)
        drop = _drop(skid, block)
        columns = [flow, celsius, *(block.clean(*key[:2]) - (drop if key[2] else 0.0) for key in readings)]
        s.rest, ended = parts(s.rest, block.minutes, columns, usable, size=PART, enough=ENOUGH)
        if not ended:
            return s, []
        on, off = never(block.minutes), never(block.minutes)
        seen: dict[int, tuple[F64, F64, F64, float]] = {}
        pattern = Pattern(SETTINGS, s.pattern)
        for part in ended:
            if not pattern.ready:
                pattern = _learn(s, part.middle, readings)
                continue
            i = part.end - int(block.minutes[0])
            s.elsewhere = 0 if _known(s, *part.middle[:FIRST]) else s.elsewhere + 1
            if s.elsewhere == ELSEWHERE:
                pattern, s.elsewhere, off[i] = Pattern(SETTINGS, PatternState()), 0, True
            if s.elsewhere or not pattern.ready:
                continue
            point = np.array([np.nan if x is None else x for x in part.middle[FIRST:]])
            pattern.step(point[list(s.chosen)])
            on[i], off[i] = pattern.unusual and pattern.share > s.often, not pattern.unusual
            if on[i]:
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


Reading = tuple[str, str, bool]
"""Unit, role, and whether it is taken less the drop over the beds behind it."""


def _readings(skid: SkidView) -> list[Reading]:
    """Of each instrument that measures something which is steady on a well plant; pressures before beds both ways."""
    plainly = [
        (unit.id, role, False)
        for unit in skid.units
        for role in own_roles(unit, skid)
        if (unit.type.name, role) not in LEFT_OUT
        and role not in OWN_WAY
        and not unit.type.roles[role].state
        and unit.instruments[role].states is None
        and not unit.instruments[role].total
    ]
    beds = {bed.id for bed in skid.of_type("media_filter") if bed.has("dp")}
    less = [
        (name, role, True)
        for name, role, _ in plainly
        if skid.by_id[name].type.roles[role].unit == PRESSURE and role != "dp" and beds & set(skid.after(name))
    ]
    return [*plainly, *less]


def _drop(skid: SkidView, block: Block) -> F64:
    """Mean drop over the beds that have one, kPa; NaN where none is known."""
    drops = [block.clean(bed.id, "dp") for bed in skid.of_type("media_filter") if bed.has("dp")]
    known = np.isfinite(drops).any(axis=0) if drops else never(block.minutes)
    mean = np.full(len(block), np.nan)
    mean[known] = np.nanmean(np.array(drops)[:, known], axis=0) if known.any() else 0.0
    return mean


def _steadier(points: F64, there: Mask, readings: list[Reading]) -> Mask:
    """``there`` (readings,) less the restless one of each pressure that is taken both ways."""
    scatter = np.array(
        [np.nanmedian(np.abs(x - np.nanmedian(x))) if ok else np.inf for x, ok in zip(points.T, there, strict=True)]
    )
    kept = there.copy()
    for k, (name, role, less) in enumerate(readings):
        if less:
            plainly = readings.index((name, role, False))
            kept[plainly if scatter[k] < scatter[plainly] else k] = False
    return kept


def _learn(s: UnusualState, middle: tuple[float | None, ...], readings: list[Reading]) -> Pattern:
    """One hour more; the watch begins with what was read in nearly all of them."""
    s.learning = (*s.learning, middle)
    pattern = Pattern(SETTINGS, PatternState())
    if len(s.learning) < SETTINGS.learn:
        return pattern
    points = np.array([[np.nan if x is None else x for x in line] for line in s.learning])
    s.learning, s.flows, s.warmth = (), _span(points[:, 0]), _span(points[:, 1])
    there = _steadier(points[:, FIRST:], np.isfinite(points[:, FIRST:]).mean(axis=0) >= THERE, readings)
    s.chosen = tuple(np.flatnonzero(there).tolist())
    if len(s.chosen) < LEAST:
        return pattern  # begins anew
    points = points[:, FIRST:][:, there]
    points = np.where(np.isfinite(points), points, np.nanmedian(points, axis=0))
    for point in points:
        pattern.step(point)
    s.often = _often(pattern.state(), points)
    return pattern


def _often(learnt: PatternState, points: F64) -> float:
    """Share of the limit that what was learnt of stays below by a margin, had it come again."""
    again, shares = Pattern(SETTINGS, learnt), []
    for point in points:
        again.step(point)
        shares.append(again.share)
    held = np.lib.stride_tricks.sliding_window_view(np.array(shares), SETTINGS.rise).min(axis=1)
    return min(max(1.0, OFTEN * float(held.max())), MOST_OFTEN)


def _span(values: F64) -> tuple[float, float] | None:
    known = values[np.isfinite(values)]
    return (float(known.min()), float(known.max())) if known.size else None


def _known(s: UnusualState, flow: float | None, celsius: float | None) -> bool:
    """Are they within what was seen while it learnt?"""
    assert flow is not None and s.flows is not None  # noqa: PT018 - no hour counts without its flow
    if not (1.0 - FLOW_OFF) * s.flows[0] <= flow <= (1.0 + FLOW_OFF) * s.flows[1]:
        return False
    return celsius is None or s.warmth is None or s.warmth[0] - WARM_OFF <= celsius <= s.warmth[1] + WARM_OFF


def _draft(
    unit: UnitView, skid: SkidView, minute: int, onset: int, readings: list[Reading],
    parts_of: F64, now: F64, usual: F64, share: float,
) -> Draft:  # fmt: skip
    numbers = [plain("times_limit", share)]
    for k in np.argsort(parts_of)[::-1][:SHOWN].tolist():
        unit_id, role, less = readings[k]
        one = skid.by_id[unit_id]
        tag = one.tags[role]
        name = f"{role}_{tag}_less_drop" if less else f"{role}_{tag}"
        numbers.append(plain(f"share_{tag}", 100.0 * float(parts_of[k]), "%"))
        numbers.append(number(one, role, name, float(now[k]), difference=less))
        numbers.append(number(one, role, f"{name}_usual", float(usual[k]), difference=less))
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
            RuledOut(what="another load", why="flow and warmth lie within what was seen while the usual was learnt"),
            RuledOut(what="noise", why=f"it has been so for {SETTINGS.rise} steady hours"),
        ),
        first_step=STEP,
    )
