"""Oil carry-over: more oil leaves a settling tank than its flow and temperature explain.

See docs/detectors/oil_carry_over.md. Works on medians of 5 minutes. What the tank usually lets out is learnt from its
own quiet hours, the last two days of them.
"""

from __future__ import annotations

from math import exp, inf, log
from statistics import fmean
from typing import ClassVar, Final

import numpy as np

from analytics.bins import Part, Rows, latest, parts
from analytics.carry_over_drafts import Bin, Tank, Told, draft, tank_of
from analytics.changepoints import onset
from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.frame import F64, Block, Mask
from analytics.tank_usual import TankReadings, Usual, learn, middle
from skidhand.fleet import SkidView, UnitView
from skidhand.model.kinds import Severity

# Common practice, no source, unless said otherwise.
BIN: Final = 5  # minutes
ENOUGH: Final = 3  # usable minutes in a bin
HOUR: Final = 12  # quiet bins that make an hour to learn from
LEARN: Final = 6  # hours before anything but the limit is judged
LEARNT: Final = 48  # hours that are kept
CHANGE: Final = log(1.5)  # oil over expected that counts
NOISE: Final = 4.0  # the change that counts is never below so many standard deviations between hours
OPEN_AFTER: Final = 2  # bins in a row beyond
LIMIT_AFTER: Final = 6  # bins in a row above the limit
ABOVE_USUAL: Final = 1.35  # over what it usually gives, from which the limit speaks: oil just below it crosses daily
ABOVE_SURGED: Final = 1.2  # the same while a surge may be the reason
ABOVE_EARLY: Final = 1.5  # over the limit, from which it speaks before the usual is known
CLOSE_AFTER: Final = 6  # bins in a row back
BACK: Final = 0.5  # of the change that counts
LAG: Final = 6  # bins over which flow is averaged: the water that leaves now came in over that time
LEAST_LOAD: Final = log(2.0)  # below half the usual load the learnt line is not followed: it is one near the usual
KEPT: Final = 144  # bins kept for dating and traces: 12 h
SURGE: Final = 1.25  # flow over usual
SURGE_BINS: Final = 24  # for so long a surge may be the reason: 2 h
LASTS: Final = 9  # bins of surge among them from which it is no slug but a flow that is too high: 45 min
RETURN: Final = 240  # minutes for which a filter's wash water may come back through the tank
RETURN_ALLOWS: Final = log(1.6)  # so much more oil is usual then
PARTNER: Final = log(1.2)  # oil downstream over usual that confirms
SHARE: Final = 0.5  # and at least so much of the excess, both in ln: what leaves the tank arrives further on
FAST: Final = (30, 90)  # minutes back: fast is what rose by the change that counts since then
HIGH: Final = log(3.0)  # change at which it is severe
THICKER: Final = 1.5  # pad over usual that tells of a stuck skim
STANDS: Final = 3  # bins that a new cause or severity must stand


class CarryOverState(State):
    """Memory of one tank. ``minutes`` are the usable minutes of the bin under way, ``quiet`` bins of this hour."""

    minutes: Rows = ()
    quiet: tuple[TankReadings, ...] = ()
    hours: tuple[TankReadings, ...] = ()
    usual: Usual | None = None
    kept: tuple[Bin, ...] = ()
    washed: int | None = None
    beyond: int = 0
    above: int = 0
    inside: int = 0
    other: int = 0
    told: Told | None = None


class OilCarryOver:
    """Kind ``oil-carry-over`` of a weir tank."""

    name: ClassVar[str] = "oil_carry_over"
    version: ClassVar[int] = 4
    kinds: ClassVar[frozenset[str]] = frozenset({"oil-carry-over"})
    unit_type: ClassVar[str] = "weir_tank"
    state: ClassVar[type[State]] = CarryOverState
    learns: ClassVar[Learns] = Learns(roles=frozenset({"outlet_oil", "inlet_flow"}))

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """An oil analyser behind the tank; the rest tells causes and rules out the analyser."""
        tank = tank_of(unit, skid)
        if tank is None:
            return Coverage(frozenset(), missing=("outlet_oil, or inlet_oil of a cyclone behind the tank",))
        weaker = []
        if not unit.has("inlet_flow"):
            weaker.append("inlet_flow: a flow step looks like carry-over, and slugs are not told")
        if not unit.has("level", "interface_level"):
            weaker.append("level and interface_level: a stuck skim is not told")
        if tank.water.tag is None:
            weaker.append("temperature: cold feed looks like carry-over")
        if not tank.others:
            weaker.append("an oil analyser further on: slow carry-over is left to the limit, it may be the analyser")
        return Coverage(self.kinds, weaker=tuple(weaker))

    def start(self, unit: UnitView, skid: SkidView) -> CarryOverState:  # noqa: ARG002
        """Nothing learnt."""
        return CarryOverState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """Minute by minute; judged at the last minute of each 5 on the clock."""
        assert isinstance(state, CarryOverState)
        now, drafts = state.model_copy(), list[Draft]()
        tank = tank_of(unit, skid)
        assert tank is not None
        columns, usable = _columns(tank, block)
        washing = np.any([*block.washing.values(), np.zeros(len(block), dtype=bool)], axis=0)
        washed = latest(block.minutes, washing, now.washed)
        now.minutes, ended = parts(now.minutes, block.minutes, columns, usable, size=BIN, enough=ENOUGH)
        for part in ended:
            now.washed = washed[part.end - int(block.minutes[0])]
            drafts += _end_bin(tank, now, part)
        now.washed = washed[-1]
        return now, drafts

    def progress(self, unit: UnitView, state: State) -> Progress | None:  # noqa: ARG002
        """Hours that tell what the tank usually lets out; the limit is judged before."""
        assert isinstance(state, CarryOverState)
        return Progress(len(state.hours), LEARN) if state.usual is None else None


PLUGIN = OilCarryOver()


def _columns(tank: Tank, block: Block) -> tuple[list[F64], Mask]:
    """Oil, flow, level, pad, skim, °C and oil downstream (NaN where unknown), and which minutes are of use."""
    flow, level, interface, skim = (
        block.clean(tank.unit.id, role) for role in ("inlet_flow", "level", "interface_level", "skim_flow")
    )
    oil = block.clean(tank.source.unit.id, tank.source.role)
    down = [block.clean(other.unit.id, other.role) for other in tank.others]
    flow = np.where(flow > 0, flow, np.nan)
    figures = [oil, flow, level, level - interface, skim, tank.water.celsius(block), *down]
    return figures, block.running & np.isfinite(oil) & (oil > 0)


def _end_bin(tank: Tank, s: CarryOverState, part: Part) -> list[Draft]:
    minute, (oil, flow, level, pad, skim, celsius, *down) = part.end, part.middle
    now = TankReadings(
        minute=part.first,
        oil=oil,
        flow=flow,
        viscosity=tank.water.viscosity_ratio(celsius),
        level=level,
        pad=pad,
        skim=skim,
        celsius=celsius,
        down=tuple(down),
    )
    flows = [b.flow for b in (*s.kept[1 - LAG :], now) if b.flow and now.minute - b.minute < LAG * BIN]
    # A load of which a part is unknown for the moment is no load to compare with.
    known = (now.flow is not None or not tank.unit.has("inlet_flow")) and (
        now.celsius is not None or tank.water.tag is None
    )
    load = now.load(fmean(flows) if flows else None)
    expected = s.usual.expected(max(load, s.usual.load - LEAST_LOAD)) if s.usual and known else None
    excess = None if expected is None or not now.oil else log(now.oil / expected)
    s.kept = (*s.kept, Bin(**now.model_dump(), expected=expected, excess=excess))[-KEPT:]
    drafts = _judge(tank, s, minute)
    if known:
        _learn(s, now, minute)
    return drafts


def _learn(s: CarryOverState, now: TankReadings, minute: int) -> None:
    """Quiet bins make hours, and hours the usual. Until there is one all hours are quiet, whatever the limit says."""
    if _returning(s, minute) or (s.usual is not None and (s.told is not None or s.beyond)):
        s.quiet = ()
        return
    s.quiet = (*s.quiet, now)
    if len(s.quiet) == HOUR:
        s.hours, s.quiet = (*s.hours, middle(s.quiet))[-LEARNT:], ()
        if len(s.hours) >= LEARN:
            s.usual = learn(s.hours)


def _returning(s: CarryOverState, minute: int) -> bool:
    return s.washed is not None and minute - s.washed < RETURN


def _judge(tank: Tank, s: CarryOverState, minute: int) -> list[Draft]:
    now = s.kept[-1]
    counts = CHANGE if s.usual is None else max(CHANGE, NOISE * s.usual.noise)
    surged = s.usual is not None and _surged(s, s.usual)
    returning = _returning(s, minute) and not surged
    allowed = counts + (RETURN_ALLOWS if returning else 0.0)
    margin = ABOVE_SURGED if surged else exp(RETURN_ALLOWS) if returning else ABOVE_USUAL
    over = now.oil is not None and now.oil > _line(tank, s.usual, margin)
    much = now.excess is not None and now.excess > allowed
    s.above = s.above + 1 if over else 0
    s.beyond = s.beyond + 1 if much else 0
    back = s.usual is None if now.excess is None else now.excess < BACK * counts
    s.inside = s.inside + 1 if back and not over else 0
    severity: Severity = "high" if over or (now.excess or 0.0) > HIGH else "medium"
    if s.told is None:
        if s.beyond < OPEN_AFTER and s.above < LIMIT_AFTER:
            return []
        if s.usual is not None and not _real(s, s.usual, counts):
            return []
        began = _began(s, counts)
        s.other = 0
        s.told = _told(tank, s, str(began), began, severity, minute)
        return [draft(tank, s.usual, s.kept, s.told, minute)]
    return _go_on(tank, s, s.told, severity, minute)


def _line(tank: Tank, usual: Usual | None, margin: float) -> float:
    """mg/L above which the limit speaks; one below what the tank always gives says nothing."""
    limit = tank.unit.limits["outlet_oil_high"]
    if usual is None:
        return ABOVE_EARLY * limit
    always = usual.expected(usual.load)
    return max(limit, margin * always) if always < limit else inf


def _go_on(tank: Tank, s: CarryOverState, told: Told, severity: Severity, minute: int) -> list[Draft]:
    """Over, or worse, or a cause told for the first time, or nothing to say."""
    if s.inside >= CLOSE_AFTER:
        s.told, s.above, s.beyond = None, 0, 0
        return [draft(tank, s.usual, s.kept, told, minute, ended=minute + 1 - CLOSE_AFTER * BIN)]
    fresh = _told(tank, s, told.key, told.onset, severity, minute)
    worse = severity == "high" and told.severity != "high"
    # What came in as a slug does is an overload once the surge lasts.
    lasts = told.cause == "slug" and s.usual is not None and _surged(s, s.usual, LASTS)
    cause = "overload" if lasts else told.cause or fresh.cause
    s.other = s.other + 1 if worse or cause != told.cause else 0
    if s.other < STANDS:
        return []
    s.other = 0
    keep = {"cause": cause, "severity": "high" if worse else told.severity}
    s.told = fresh.model_copy(update=keep)
    return [draft(tank, s.usual, s.kept, s.told, minute)]


def _real(s: CarryOverState, usual: Usual, counts: float) -> bool:
    """Not the analyser alone: oil downstream moves too, or water surged, or, with nothing downstream, it came fast."""
    now = s.kept[-1]
    before = [b.excess for b in s.kept if b.excess is not None and FAST[0] <= now.minute - b.minute < FAST[1]]
    fast = bool(before) and (now.excess or 0.0) - float(np.median(before)) > counts
    return _confirmed(now, usual) or (fast and (_surged(s, usual) or not _downstream(now, usual)))


def _confirmed(now: Bin, usual: Usual) -> bool:
    """An analyser downstream has risen too, and not by so little that only flow or a wash may have moved it."""
    return any(move > max(PARTNER, SHARE * (now.excess or 0.0)) for move in _downstream(now, usual))


def _downstream(now: TankReadings, usual: Usual) -> list[float]:
    """ln of each known analyser downstream over its usual."""
    return [log(a / b) for a, b in zip(now.down, usual.middle.down, strict=True) if a and b and min(a, b) > 0]


def _surged(s: CarryOverState, usual: Usual, bins: int = 1) -> bool:
    """Flow stood above SURGE for at least so many of the last SURGE_BINS."""
    flows = [b.flow for b in s.kept[-SURGE_BINS:] if b.flow is not None]
    return usual.middle.flow is not None and sum(flow > SURGE * usual.middle.flow for flow in flows) >= bins


def _cause(tank: Tank, s: CarryOverState, minute: int) -> str | None:
    now, usual = s.kept[-1], s.usual
    if usual is None:
        return None
    beyond = (now.excess or 0.0) > CHANGE
    if _surged(s, usual):
        return "slug" if beyond and not _surged(s, usual, LASTS) else "overload"
    thick = now.pad is not None and usual.middle.pad is not None and now.pad > THICKER * usual.middle.pad
    if thick and now.pad is not None and now.pad > tank.unit.limits["oil_layer_high"] and not now.skim:
        return "stuck-skim"
    if _returning(s, minute):
        return "own-return"
    cold = usual.slope * log(now.viscosity / usual.middle.viscosity)
    return "cold-feed" if not beyond and cold > PARTNER else None


def _told(tank: Tank, s: CarryOverState, key: str, began: int, severity: Severity, minute: int) -> Told:
    now, usual = s.kept[-1], s.usual
    return Told(
        key=key,
        onset=began,
        cause=_cause(tank, s, minute),
        severity=severity,
        now=middle(s.kept[-OPEN_AFTER:]),
        expected=now.expected,
        surged=usual is not None and _surged(s, usual),
        downstream=usual is not None and _confirmed(now, usual),
    )


def _began(s: CarryOverState, counts: float) -> int:
    """First minute of the excess; of the time above the limit where nothing is learnt."""
    dated = [(b.minute, b.excess) for b in s.kept if b.excess is not None]
    if len(dated) < OPEN_AFTER or s.beyond < OPEN_AFTER:
        return s.kept[-min(s.above, len(s.kept))].minute
    return dated[onset(np.array([value for _, value in dated]), usual=0.0, limit=counts)][0]
