"""An oil or turbidity analyser that drifts by itself, as a fouled window makes it (docs/detectors/analyser_drift.md).

Works on medians of 30 minutes and on ln(reading over usual), with the analysers up and down the train as partners.
"""

from __future__ import annotations

from math import copysign, log
from statistics import median
from typing import ClassVar, Final

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from analytics.analyser_drafts import Bin, Place, Told, draft, places_of
from analytics.bins import Part, Rows, latest, parts
from analytics.conditions import water_at
from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.drift_shape import hinge, steady
from analytics.frame import F64, Block, Mask
from skidhand.fleet import SkidView, UnitView

# Common practice, no source, unless said otherwise.
BIN: Final = 30  # minutes
ENOUGH: Final = 15  # usable minutes in a bin
LEARN: Final = 24  # bins (12 h of service) before anything is judged
KEPT: Final = 144  # bins kept: 72 h of service
OLDER: Final = 2 / 3  # of the kept bins make the usual: a drift under way must not
CHANGE: Final = log(1.5)  # deviation that counts
NOISE: Final = 4.0  # it is never below so many standard deviations of the usual scatter
BACK: Final = 0.5  # of the deviation that counts
TWICE: Final = 2  # bins in a row, to open and to close
SLOW: Final = 6  # bins that a drift lasts before it is called one: 3 h
SHARE: Final = 1.25  # a partner that moves explains so many times its own move
SAME_LOAD: Final = log(1.15)  # flow and viscosity within this of the usual
ELSEWHERE: Final = 96  # bins in a row at another load after which that is learnt instead: 48 h
AT_WASH: Final = 4  # bins before a wash by which a drift that goes on through it was there
THERE: Final = 0.25  # of what it has come to: a breakthrough after the wash may be dated to before it
LONG: Final = 12  # bins after which it may be called before the bed was washed: 6 h; a breakthrough takes about two
YOUNG: Final = 0.6  # share of the terminal drop below which a bed does not break through for so long
SPLIT: Final = 0.85  # of the usual reject ratio, below which the cyclone itself lets more through
ROBUST: Final = 1.4826  # MAD to standard deviation of normal noise: 1/Φ⁻¹(0.75)


class Watch(BaseModel):
    """Memory of an analyser. ``minutes`` of the bin under way: minute, reading, flow, °C, fouling, reject, partners."""

    model_config = ConfigDict(extra="forbid")

    minutes: Rows = ()
    kept: tuple[Bin, ...] = ()
    washed: int | None = None
    beyond: int = 0
    inside: int = 0
    elsewhere: int = 0
    told: Told | None = None


class AnalyserDriftState(State):
    """A watch for each analyser of the unit, by role."""

    watches: dict[str, Watch] = Field(default_factory=dict)


class AnalyserDrift:
    """Kind ``sensor-drift`` of an oil or turbidity analyser. A tag that several units share is the first one's."""

    name: ClassVar[str] = "analyser_drift"
    version: ClassVar[int] = 3
    kinds: ClassVar[frozenset[str]] = frozenset({"sensor-drift"})
    unit_type: ClassVar[str] = "*"
    state: ClassVar[type[State]] = AnalyserDriftState
    learns: ClassVar[Learns] = Learns(
        parts=frozenset({"media", "liner"}),
        roles=frozenset({"oil", "turbidity", "inlet_oil", "outlet_oil", "outlet_turbidity"}),
    )

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """Two analysers in the train, of which this unit has one."""
        places = places_of(unit, skid)
        if not places:
            return Coverage(frozenset())
        if not places[0].partners:
            return Coverage(frozenset(), missing=("another oil or turbidity analyser in the train to compare with",))
        weaker = []
        if places[0].flow is None:
            weaker.append("a flow: a flow step may look like drift")
        if any(not bed.has("dp") for place in places for bed in place.filters):
            weaker.append("dp of the filter: drift is told from breakthrough only after the next wash")
        return Coverage(self.kinds, weaker=tuple(weaker))

    def start(self, unit: UnitView, skid: SkidView) -> AnalyserDriftState:  # noqa: ARG002
        """Nothing learnt."""
        return AnalyserDriftState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """Minute by minute; judged at the last minute of each 30 on the clock."""
        assert isinstance(state, AnalyserDriftState)
        watches, drafts = dict(state.watches), list[Draft]()
        for place in places_of(unit, skid):
            watch = watches.get(place.role, Watch()).model_copy()
            drafts += _watch(place, skid, block, watch)
            watches[place.role] = watch
        return AnalyserDriftState(watches=watches), sorted(drafts, key=lambda d: d.minute)

    def progress(self, unit: UnitView, state: State) -> Progress | None:  # noqa: ARG002
        """Its analyser with the fewest bins."""
        assert isinstance(state, AnalyserDriftState)
        least = min((len(watch.kept) for watch in state.watches.values()), default=0)
        return Progress(least * BIN / 60, LEARN * BIN / 60) if least < LEARN else None


PLUGIN = AnalyserDrift()


def _watch(place: Place, skid: SkidView, block: Block, w: Watch) -> list[Draft]:
    columns, usable = _columns(place, skid, block)
    unwashed = np.zeros(len(block), dtype=bool)
    washing = np.any([unwashed, *(block.washing.get(bed.id, unwashed) for bed in place.filters)], axis=0)
    washed = latest(block.minutes, washing, w.washed)
    w.minutes, ended = parts(w.minutes, block.minutes, columns, usable, size=BIN, enough=ENOUGH)
    drafts = list[Draft]()
    for part in ended:
        w.washed = washed[part.end - int(block.minutes[0])]
        drafts += _end_bin(place, skid, w, part)
    w.washed = washed[-1]
    return drafts


def _end_bin(place: Place, skid: SkidView, w: Watch, part: Part) -> list[Draft]:
    minute, (reading, flow, celsius, fouled, reject, *partners) = part.end, part.middle
    viscosity = water_at(place.unit, skid).viscosity_ratio(celsius)
    assert reading is not None
    now = Bin(
        minute=minute + 1 - BIN,
        reading=reading,
        flow=flow,
        viscosity=viscosity,
        fouled=fouled,
        reject=reject,
        partners=tuple(partners),
    )
    if w.told is not None:
        w.kept = (*w.kept, now)[-KEPT:]
        return _back(place, w, w.told, _move(now, w.told.usual), minute)
    usual = _usual(w.kept) if len(w.kept) >= LEARN else None
    if usual is not None and not _same_load(now, usual):
        w.elsewhere += 1
        if w.elsewhere == ELSEWHERE:
            w.kept, w.elsewhere, w.beyond = (), 0, 0
        return []
    w.kept, w.elsewhere = (*w.kept, now)[-KEPT:], 0
    return [] if usual is None or _split(now, usual) else _judge(place, w, usual, minute)


def _judge(place: Place, w: Watch, usual: Bin, minute: int) -> list[Draft]:
    moves = np.array([_move(b, usual) for b in w.kept])
    scatter = ROBUST * float(np.median(np.abs(moves[: _older(w.kept)])))
    w.beyond = w.beyond + 1 if abs(_alone(w.kept[-1], usual)) > max(CHANGE, NOISE * scatter) else 0
    if w.beyond < TWICE:
        return []
    excess = np.array([_alone(b, usual) for b in w.kept])
    start = hinge(excess)
    if len(excess) - start < SLOW or not steady(moves[start:]) or not _no_breakthrough(place, w, excess, start):
        return []
    w.told, w.inside = Told(onset=w.kept[start].minute, now=w.kept[-1], usual=usual), 0
    return [draft(place, w.kept, w.told, minute)]


def _back(place: Place, w: Watch, told: Told, move: float, minute: int) -> list[Draft]:
    w.inside = w.inside + 1 if abs(move) < BACK * CHANGE else 0
    if w.inside < TWICE:
        return []
    w.told, w.beyond = None, 0
    ended = w.kept[-TWICE].minute
    said = draft(place, w.kept, told, minute, ended)
    # What it read while it drifted is not usual.
    w.kept = tuple(b for b in w.kept if not told.onset <= b.minute < ended)
    return [said]


def _move(b: Bin, usual: Bin) -> float:
    return log(b.reading / usual.reading)


def _alone(b: Bin, usual: Bin) -> float:
    """The part of the reading's move, with its sign, that no partner's move in the same direction explains."""
    move = _move(b, usual)
    pairs = [(a, u) for a, u in zip(b.partners, usual.partners, strict=True) if a and u and min(a, u) > 0]
    if not pairs:
        return 0.0
    explained = max(0.0, *(SHARE * copysign(1.0, move) * log(a / u) for a, u in pairs))
    return copysign(max(0.0, abs(move) - explained), move)


def _no_breakthrough(place: Place, w: Watch, excess: F64, start: int) -> bool:
    """No bed before it, or the drift went on through a wash, or for long on a bed far from its terminal drop."""
    if not place.filters:
        return True
    if w.washed is not None and w.kept[start].minute < w.washed < w.kept[-TWICE].minute:
        before = [x for x, b in zip(excess[start:], w.kept[start:], strict=True) if b.minute < w.washed]
        if abs(median(before[-AT_WASH:])) > THERE * abs(float(excess[-1])):
            return True
    fouled = w.kept[-1].fouled
    return len(w.kept) - start >= LONG and fouled is not None and fouled < YOUNG


def _same_load(now: Bin, usual: Bin) -> bool:
    viscosity = abs(log(now.viscosity / usual.viscosity))
    if now.flow is None or usual.flow is None or usual.flow <= 0:
        return viscosity < SAME_LOAD
    return viscosity < SAME_LOAD and now.flow > 0 and abs(log(now.flow / usual.flow)) < SAME_LOAD


def _split(now: Bin, usual: Bin) -> bool:
    """Less of the oil goes to the cyclone's reject than used to: what is behind it carries more."""
    return now.reject is not None and usual.reject is not None and now.reject < SPLIT * usual.reject


def _older(bins: tuple[Bin, ...]) -> int:
    return round(OLDER * len(bins))


def _usual(bins: tuple[Bin, ...]) -> Bin:
    kept = bins[: _older(bins)]
    return Bin(
        minute=kept[-1].minute,
        reading=median(b.reading for b in kept),
        flow=_median([b.flow for b in kept]),
        viscosity=median(b.viscosity for b in kept),
        fouled=None,
        reject=_median([b.reject for b in kept]),
        partners=tuple(_median([b.partners[i] for b in kept]) for i in range(len(kept[-1].partners))),
    )


def _columns(place: Place, skid: SkidView, block: Block) -> tuple[list[F64], Mask]:
    """Reading, flow, °C, fouling, partners … (NaN where unknown), and which minutes are of use."""
    reading = block.clean(place.unit.id, place.role)
    unknown = np.full(len(block), np.nan)
    flow = unknown if place.flow is None else block.clean(place.flow[0].id, place.flow[1])
    beds = [block.clean(bed.id, "dp") / bed.limits["dp_terminal"] for bed in place.filters]
    fouled = unknown if not beds else np.where(np.any(np.isnan(beds), axis=0), np.nan, np.max(beds, axis=0))
    partners = [block.clean(view.id, role) for view, role in place.partners]
    usable = block.running & ~block.settling & np.isfinite(reading) & (reading > 0)
    reject = unknown
    if place.unit.has("reject_flow", "inlet_flow") and place.role == "outlet_oil":
        fed = block.clean(place.unit.id, "inlet_flow")
        reject = block.clean(place.unit.id, "reject_flow") / np.where(fed > 0, fed, np.nan)
    return [reading, flow, water_at(place.unit, skid).celsius(block), fouled, reject, *partners], usable


def _median(values: tuple[float | None, ...] | list[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return median(known) if known else None
