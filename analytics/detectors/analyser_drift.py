"""An oil or turbidity analyser that drifts by itself, as a fouled window makes it (docs/detectors/analyser_drift.md).

Works on medians of 30 minutes and on ln(reading over usual), with the analysers up and down the train as partners.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import copysign, exp, isfinite, log
from statistics import median
from typing import ClassVar, Final

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from analytics.conditions import water_at
from analytics.detectors.base import Coverage, Draft, State
from analytics.drift_shape import hinge, steady
from analytics.evidence import number, plain, trace
from analytics.frame import Block
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, RuledOut

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
SHARE: Final = 1.5  # a partner that moves explains so many times its own move
SAME_LOAD: Final = log(1.15)  # flow and viscosity within this of the usual
YOUNG: Final = 0.6  # share of the terminal drop below which a bed does not break through
ROBUST: Final = 1.4826  # MAD to standard deviation of normal noise: 1/Φ⁻¹(0.75)
MEASURED: Final = ("mg/L", "{NTU}")
FLOWS: Final = ("flow", "inlet_flow", "feed_flow")
STEP: Final = "Suggest a sample to compare with, then cleaning the analyser's window, per site procedure."


class Bin(BaseModel):
    """Medians of half an hour, None where unknown: the reading, flow m³/h, viscosity to 25 °C, partners' readings,
    and the largest drop of the filters before it as a share of their terminal drop.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    minute: int
    reading: float
    flow: float | None
    viscosity: float
    fouled: float | None
    partners: tuple[float | None, ...]


class Told(BaseModel):
    """What is said of the drift, and the figures it was said on (they stay when it is over)."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    onset: int
    now: Bin
    usual: Bin


class Watch(BaseModel):
    """Memory of one analyser. ``minutes`` are the usable minutes of the bin under way: figures as in :class:`Bin`."""

    model_config = ConfigDict(extra="forbid")

    minutes: tuple[tuple[float | None, ...], ...] = ()
    kept: tuple[Bin, ...] = ()
    washed: int | None = None
    beyond: int = 0
    inside: int = 0
    told: Told | None = None


class AnalyserDriftState(State):
    """A watch for each analyser of the unit, by role."""

    watches: dict[str, Watch] = Field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where an analyser stands: unit and role of itself, its partners and its flow, and the filters before it."""

    unit: UnitView
    role: str
    partners: tuple[tuple[UnitView, str], ...]
    flow: tuple[UnitView, str] | None
    filters: tuple[UnitView, ...]


class AnalyserDrift:
    """Kind ``sensor-drift`` of an oil or turbidity analyser. A tag that several units share is the first one's."""

    name: ClassVar[str] = "analyser_drift"
    version: ClassVar[int] = 1
    kinds: ClassVar[frozenset[str]] = frozenset({"sensor-drift"})
    unit_type: ClassVar[str] = "*"
    state: ClassVar[type[State]] = AnalyserDriftState

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """Two analysers in the train, of which this unit has one."""
        places = _places(unit, skid)
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
        for place in _places(unit, skid):
            watch = watches.get(place.role, Watch()).model_copy()
            drafts += _watch(place, skid, block, watch)
            watches[place.role] = watch
        return AnalyserDriftState(watches=watches), sorted(drafts, key=lambda d: d.minute)


PLUGIN = AnalyserDrift()


def _watch(place: _Place, skid: SkidView, block: Block, w: Watch) -> list[Draft]:
    rows, usable = _columns(place, skid, block)
    washing = np.any([*(block.washing[bed.id] for bed in place.filters), np.zeros(len(block), dtype=bool)], axis=0)
    drafts = list[Draft]()
    for i, minute in enumerate(block.minutes.tolist()):
        if washing[i]:
            w.washed = minute
        if usable[i]:
            w.minutes = (*w.minutes, tuple(x if isfinite(x) else None for x in rows[i]))
        if minute % BIN == BIN - 1:
            drafts += _end_bin(place, skid, w, minute)
    return drafts


def _end_bin(place: _Place, skid: SkidView, w: Watch, minute: int) -> list[Draft]:
    taken, w.minutes = w.minutes, ()
    if len(taken) < ENOUGH:
        return []
    reading, flow, celsius, fouled, *partners = (_median(column) for column in zip(*taken, strict=True))
    viscosity = water_at(place.unit, skid).viscosity_ratio(celsius)
    assert reading is not None
    now = Bin(
        minute=minute + 1 - BIN,
        reading=reading,
        flow=flow,
        viscosity=viscosity,
        fouled=fouled,
        partners=tuple(partners),
    )
    usual = w.told.usual if w.told else _usual(w.kept) if len(w.kept) >= LEARN else None
    if usual is not None and not _same_load(now, usual):
        return []
    w.kept = (*w.kept, now)[-KEPT:]
    return [] if usual is None else _judge(place, w, usual, minute)


def _judge(place: _Place, w: Watch, usual: Bin, minute: int) -> list[Draft]:
    now = w.kept[-1]
    moves = np.array([_move(b, usual) for b in w.kept])
    limit = max(CHANGE, NOISE * ROBUST * float(np.median(np.abs(moves)))) if w.told is None else CHANGE
    w.inside = w.inside + 1 if abs(moves[-1]) < BACK * CHANGE else 0
    if w.told is not None:
        if w.inside < TWICE:
            return []
        told, w.told, w.beyond = w.told, None, 0
        ended = w.kept[-TWICE].minute
        # What it read while it drifted is not usual.
        draft = _draft(place, w, told, minute, ended)
        w.kept = tuple(b for b in w.kept if not told.onset <= b.minute < ended)
        return [draft]
    excess = np.array([_alone(b, usual) for b in w.kept])
    w.beyond = w.beyond + 1 if abs(excess[-1]) > limit else 0
    if w.beyond < TWICE:
        return []
    start = hinge(excess)
    if len(excess) - start < SLOW or not steady(moves[start:]) or not _bed_is_young(place, w, w.kept[start].minute):
        return []
    w.told = Told(onset=w.kept[start].minute, now=now, usual=usual)
    return [_draft(place, w, w.told, minute)]


def _move(b: Bin, usual: Bin) -> float:
    return log(b.reading / usual.reading)


def _alone(b: Bin, usual: Bin) -> float:
    """The part of the reading's move, with its sign, that no partner's move in the same direction explains."""
    move = _move(b, usual)
    pairs = [(a, u) for a, u in zip(b.partners, usual.partners, strict=True) if a and u]
    if not pairs:
        return 0.0
    explained = max(0.0, *(SHARE * copysign(1.0, move) * log(a / u) for a, u in pairs))
    return copysign(max(0.0, abs(move) - explained), move)


def _bed_is_young(place: _Place, w: Watch, began: int) -> bool:
    """Not a breakthrough: the beds before it are far from terminal, or the drift went on through a wash."""
    if not place.filters:
        return True
    fouled = w.kept[-1].fouled
    return fouled < YOUNG if fouled is not None else w.washed is not None and w.washed > began


def _same_load(now: Bin, usual: Bin) -> bool:
    flow = log(now.flow / usual.flow) if now.flow and usual.flow else 0.0
    return abs(flow) < SAME_LOAD and abs(log(now.viscosity / usual.viscosity)) < SAME_LOAD


def _usual(bins: tuple[Bin, ...]) -> Bin:
    kept = bins[: round(OLDER * len(bins))]
    return Bin(
        minute=kept[-1].minute,
        reading=median(b.reading for b in kept),
        flow=_median([b.flow for b in kept]),
        viscosity=median(b.viscosity for b in kept),
        fouled=None,
        partners=tuple(_median([b.partners[i] for b in kept]) for i in range(len(kept[-1].partners))),
    )


def _columns(place: _Place, skid: SkidView, block: Block) -> tuple[list[list[float]], list[bool]]:
    """A row a minute (reading, flow, °C, fouling, partners …; NaN where unknown), and which rows are of use."""
    reading = block.clean(place.unit.id, place.role)
    unknown = np.full(len(block), np.nan)
    flow = unknown if place.flow is None else block.clean(place.flow[0].id, place.flow[1])
    beds = [block.clean(bed.id, "dp") / bed.limits["dp_terminal"] for bed in place.filters]
    fouled = unknown if not beds else np.where(np.any(np.isnan(beds), axis=0), np.nan, np.max(beds, axis=0))
    partners = [block.clean(view.id, role) for view, role in place.partners]
    rows = np.array([reading, flow, water_at(place.unit, skid).celsius(block), fouled, *partners]).T
    usable = block.running & ~block.settling & np.isfinite(reading) & (reading > 0)
    return rows.tolist(), usable.tolist()


def _places(unit: UnitView, skid: SkidView) -> list[_Place]:
    earlier = set[str]()
    for other in skid.units:
        if other.id == unit.id:
            break
        earlier.update(other.tags.values())
    return [_place(unit, role, skid) for role in _analysers(unit) if unit.tags[role] not in earlier]


def _analysers(unit: UnitView) -> list[str]:
    return [role for role in unit.tags if unit.type.roles[role].unit in MEASURED]


def _place(unit: UnitView, role: str, skid: SkidView) -> _Place:
    before = [skid.by_id[name] for name in skid.before(unit.id)]
    after = [skid.by_id[name] for name in skid.after(unit.id)]
    partners: dict[str, tuple[UnitView, str]] = {}
    for view in (unit, *before, *after):
        for other in _analysers(view):
            if view.tags[other] != unit.tags[role]:
                partners.setdefault(view.tags[other], (view, other))
    beds = list[UnitView]()
    for view in (unit, *before):
        if view is not unit and _analysers(view):
            break  # what broke through earlier is seen by a partner
        if view.type.name == "media_filter":
            beds.append(view)
    flow = next(((v, r) for v in (unit, *before) for r in FLOWS if v.has(r)), None)
    return _Place(unit, role, tuple(partners.values()), flow, tuple(beds))


def _median(values: tuple[float | None, ...] | list[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return median(known) if known else None


def _draft(place: _Place, w: Watch, told: Told, minute: int, ended: int | None = None) -> Draft:
    unit, role = place.unit, place.role
    numbers = [
        number(unit, role, "reading", told.now.reading),
        number(unit, role, "reading_usual", told.usual.reading),
        plain("reading_over_usual", exp(_move(told.now, told.usual))),
    ]
    for (view, other), now, usual in zip(place.partners, told.now.partners, told.usual.partners, strict=True):
        if now is not None and usual is not None:
            numbers.append(number(view, other, f"{view.id}_{other}", now))
            numbers.append(number(view, other, f"{view.id}_{other}_usual", usual))
    ruled_out = [
        RuledOut(what="oil carried along", why="no analyser up or down the train has moved with it"),
        RuledOut(what="an upset", why="it goes one way in small steps for hours; an upset is fast and returns"),
    ]
    if place.filters:
        young = "the bed is far from its terminal drop, or was washed meanwhile, and the reading stays"
        ruled_out.append(RuledOut(what="breakthrough", why=young))
    minutes = [b.minute for b in w.kept]
    return Draft(
        minute=minute,
        kind="sensor-drift",
        run_key=str(told.onset),
        onset=told.onset,
        severity="low",
        confidence=0.7 if place.filters else 0.8,
        unit=unit.tags[role],
        cause="fouled",
        ended=ended,
        evidence=Evidence(
            numbers=tuple(numbers),
            traces=(
                trace(unit, role, "reading", minutes, [b.reading for b in w.kept]),
                *(
                    trace(view, other, f"{view.id}_{other}", minutes, _column(w, i))
                    for i, (view, other) in enumerate(place.partners)
                ),
            ),
        ),
        ruled_out=tuple(ruled_out),
        first_step=STEP,
    )


def _column(w: Watch, i: int) -> list[float]:
    return [np.nan if (value := b.partners[i]) is None else value for b in w.kept]
