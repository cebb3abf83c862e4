"""Meters of one skid that no longer agree, and which of them is wrong (docs/detectors/volumes_disagree.md).

Flows that must add up never do quite, for meters have their errors; what they usually leave over is learnt. A balance
that closes otherwise than it used to, for half a day of steady hours, has a meter that has changed. Where several
balances share a meter it can be named.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Final

import numpy as np
from pydantic import Field

from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.episodes import Episode, never, ordered, watch
from analytics.evidence import number, plain
from analytics.frame import F64, Block, Mask
from analytics.volumes import Balances, balances_of, rates, suspect
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, Number, RuledOut

# Common practice, no source, unless said otherwise.
HOUR: Final = 60
ENOUGH: Final = 50  # steady minutes that make an hour
LEARN: Final = 24  # hours
WINDOW: Final = 12  # hours judged together
WITHIN: Final = 36  # hours in which they must lie
SHARE: Final = 0.04  # of what flows through: usual meters close water to 2 to 3 %
ERRORS: Final = 4.0  # standard errors
CALM: Final = 0.6  # of the limit, below which it is certainly gone
ROBUST: Final = 1.4826  # MAD to standard deviation of normal noise: 1/Φ⁻¹(0.75)
MEDIAN: Final = 1.25  # standard error of a median by that of a mean, normal noise
AFTER: Final = 121  # minutes
STEP: Final = "Suggest comparing the meters named with a second way of measuring, per site procedure."
Line = tuple[float, ...]


class VolumeState(State):
    """``rest``: steady minutes of the hour under way; hours learnt from; each balance's usual leftover share, its
    scatter and memory; ``turn``: m³/h for one revolution a minute; hours judged (hour, then each stream's mean).
    """

    last: dict[str, tuple[int, float]] = Field(default_factory=dict)
    rest: tuple[Line, ...] = ()
    learning: tuple[Line, ...] = ()
    turn: float = 0.0
    usual: tuple[Line, ...] = ()
    hours: tuple[Line, ...] = ()
    by: dict[str, Episode] = Field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Look:
    """What the last hours say: each balance's leftover share beyond the usual, its limit, and each stream's mean."""

    off: F64
    limit: F64
    flows: F64
    who: int | None


class VolumesDisagree:
    """Kind ``volumes-disagree`` of the skid, and ``sensor-drift`` of a flow meter whom two balances contradict."""

    name: ClassVar[str] = "volumes_disagree"
    version: ClassVar[int] = 1
    kinds: ClassVar[frozenset[str]] = frozenset({"volumes-disagree", "sensor-drift"})
    unit_type: ClassVar[str] = "skid"
    state: ClassVar[type[State]] = VolumeState
    learns: ClassVar[Learns] = Learns()

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:  # noqa: ARG002
        """Meters on both sides of a balance; those that only tank_balance judges do not count."""
        balances = _balances(skid)
        if not len(balances.matrix) or not (~_left_to_others(balances)).any():
            return Coverage(frozenset(), missing=("two meters that the same water passes",))
        if len(balances.matrix) < 2:
            return Coverage(self.kinds, weaker=("a third meter: which of two is wrong is not told",))
        return Coverage(self.kinds)

    def start(self, unit: UnitView, skid: SkidView) -> VolumeState:  # noqa: ARG002
        """Nothing learnt."""
        return VolumeState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """Judged at the end of each hour that was steady."""
        assert isinstance(state, VolumeState)
        s, balances = state.model_copy(), _balances(skid)
        s.last, s.by = dict(s.last), dict(s.by)
        names = ["", *(stream.tag for stream in balances.streams if stream.kind == "flow")]
        on, off = ({name: never(block.minutes) for name in names} for _ in range(2))
        looks = dict[int, Look]()
        for end, flows in _hours(s, balances, skid, block):
            if (look := _take(s, balances, end // HOUR, flows)) is not None:
                i = end - int(block.minutes[0])
                looks[i] = look
                told, gone = _judge(balances, look)
                for name in names:
                    on[name][i], off[name][i] = name in told, name in gone
        drafts = list[Draft]()
        for name in names:
            s.by[name], said = watch(
                block.minutes, on[name], off[name], s.by.get(name, Episode()), after=AFTER, until=AFTER,
                say=lambda i, onset, n=name: _draft(unit, skid, int(block.minutes[i]), onset, n, looks[i]),  # type: ignore[misc]
            )  # fmt: skip
            drafts += said
        return s, ordered(drafts)

    def progress(self, unit: UnitView, state: State) -> Progress | None:  # noqa: ARG002
        """Hours that make the usual."""
        assert isinstance(state, VolumeState)
        return None if state.usual else Progress(len(state.learning), LEARN)


PLUGIN = VolumesDisagree()


_KNOWN: Final[dict[int, tuple[SkidView, Balances]]] = {}  # by identity: views never change and are dear to compare
_MOST_KNOWN: Final = 4096


def _balances(skid: SkidView) -> Balances:
    known = _KNOWN.get(id(skid))
    if known is None or known[0] is not skid:
        if len(_KNOWN) >= _MOST_KNOWN:
            _KNOWN.clear()
        known = _KNOWN[id(skid)] = skid, balances_of(skid)
    return known[1]


def _left_to_others(balances: Balances) -> Mask:
    """A pump that slips is pump_slip's, a tank whose level and flow meters disagree tank_balance's."""
    return np.asarray(balances.has("speed") | (balances.has("level") & ~balances.has("total")))


def _hours(s: VolumeState, balances: Balances, skid: SkidView, block: Block) -> list[tuple[int, F64]]:
    """(last minute, mean of each stream) of the whole hours that were steady."""
    table = rates(balances.streams, skid, block, s.last)
    washing = np.any([never(block.minutes), *block.washing.values()], axis=0)
    steady = block.running & ~block.settling & ~washing & np.isfinite(table).all(axis=1)
    rows = np.column_stack([block.minutes[steady], table[steady]])
    if s.rest:
        rows = np.concatenate([np.array(s.rest), rows])
    hour, whole = rows[:, 0].astype(np.int64) // HOUR, (int(block.minutes[-1]) + 1) // HOUR
    s.rest = tuple(map(tuple, rows[hour >= whole].tolist()))
    done = list[tuple[int, F64]]()
    for one in np.unique(hour[hour < whole]).tolist():
        mine = rows[hour == one, 1:]
        if len(mine) >= ENOUGH:
            done.append(((one + 1) * HOUR - 1, mine.mean(axis=0)))
    return done


def _take(s: VolumeState, balances: Balances, hour: int, flows: F64) -> Look | None:
    if not s.usual:
        s.learning = (*s.learning, tuple(flows.tolist()))
        if len(s.learning) == LEARN:
            _learn(s, balances)
        return None
    kept = [line for line in s.hours if line[0] > hour - WITHIN]
    s.hours = (*kept, (float(hour), *flows.tolist()))[-WINDOW:]
    if len(s.hours) < WINDOW:
        return None
    lines = np.array(s.hours)[:, 1:]
    usual, scatter, memory = np.array(s.usual)
    off = np.median(_shares(balances, lines, s.turn), axis=0) - usual
    longer = (1.0 + memory) / (1.0 - memory)  # an autocorrelated mean is known by as much less
    limit = np.maximum(SHARE, ERRORS * MEDIAN * scatter * np.sqrt(longer / WINDOW))
    flows = np.median(_metered(balances, lines, s.turn), axis=0)
    calm = bool((np.abs(off) < CALM * limit).all())
    return Look(off, limit, flows, None if calm else suspect(balances, off * _through(balances, flows), flows))


def _learn(s: VolumeState, balances: Balances) -> None:
    lines = np.array(s.learning)
    speeds = np.array([stream.kind == "speed" for stream in balances.streams])
    if speeds.any():
        one = int(np.flatnonzero(balances.has("speed"))[0])
        rest = balances.matrix[one] * ~speeds
        s.turn = float(np.median(-(lines @ rest) / np.maximum(lines[:, speeds].sum(axis=1), 1e-9)))
    shares = _shares(balances, lines, s.turn)
    usual = np.median(shares, axis=0)
    rest = shares - usual
    scatter = ROBUST * np.median(np.abs(rest), axis=0)
    clipped = np.clip(rest, -3.0 * scatter, 3.0 * scatter)
    power = np.maximum((clipped**2).sum(axis=0), 1e-300)
    memory = np.clip((clipped[1:] * clipped[:-1]).sum(axis=0) / power, 0.0, 0.9)
    s.usual, s.learning = tuple(tuple(row.tolist()) for row in (usual, scatter, memory)), ()


def _metered(balances: Balances, lines: F64, turn: float) -> F64:
    """Revolutions as the flow that they usually give."""
    return np.asarray(lines * np.array([turn if stream.kind == "speed" else 1.0 for stream in balances.streams]))


def _through(balances: Balances, flows: F64) -> F64:
    return np.maximum(np.maximum(balances.matrix, 0.0) @ flows, 1e-6)


def _shares(balances: Balances, lines: F64, turn: float) -> F64:
    """(hours, balances): what is left over of what enters."""
    flows = _metered(balances, lines, turn)
    entering = flows @ np.maximum(balances.matrix, 0.0).T
    return np.asarray((flows @ balances.matrix.T) / np.maximum(entering, 1e-6))


def _judge(balances: Balances, look: Look) -> tuple[set[str], set[str]]:
    """Names of what holds ("" for the skid, else a meter's tag) and of what certainly does not."""
    beyond = np.abs(look.off) > look.limit
    tags = {"", *(stream.tag for stream in balances.streams)}
    if (np.abs(look.off) < CALM * look.limit).all():
        return set(), tags
    if look.who is None:
        return ({""} if (beyond & ~_left_to_others(balances)).any() else set()), set()
    stream = balances.streams[look.who]
    mine = beyond & (balances.matrix[:, look.who] != 0)
    if stream.kind in ("speed", "level") or not mine.any():
        return set(), set()
    named = {stream.tag} if stream.kind == "flow" and mine.sum() > 1 else set()
    return {"", *named}, tags - {"", *named}


def _draft(unit: UnitView, skid: SkidView, minute: int, onset: int, name: str, look: Look) -> Draft:
    balances = _balances(skid)
    worst = int(np.argmax(np.abs(look.off) / look.limit))
    meters = [(s, f) for s, f, c in zip(balances.streams, look.flows, balances.matrix[worst], strict=True) if c]
    numbers: list[Number] = [
        plain("left_over_beyond_usual", 100.0 * float(look.off[worst]), "%"),
        plain("limit", 100.0 * float(look.limit[worst]), "%"),
        plain("window", float(WINDOW), "h"),
    ]
    numbers += [number(skid.by_id[s.unit], s.role, f"flow_{s.tag}", f) for s, f in meters if s.kind == "flow"]
    numbers += [plain(f"rate_{s.tag}", f, "m3/h") for s, f in meters if s.kind != "flow"]
    who = None if look.who is None else balances.streams[look.who]
    high = who is not None and _reads_high(balances, look)
    why = (
        f"{who.tag} alone explains all balances, read {'high' if high else 'low'}"
        if who is not None
        else "no single meter explains the balances better than the others"
    )
    return Draft(
        minute=minute,
        kind="sensor-drift" if name else "volumes-disagree",
        run_key=str(onset),
        onset=max(onset - WINDOW // 2 * HOUR, 0),  # a median sees a change when half of its hours have it
        severity="medium",
        confidence=0.8 if who is not None else 0.7,
        unit=name or unit.id,
        cause="fouled" if name and high else None,
        evidence=Evidence(numbers=tuple(numbers)),
        ruled_out=(
            RuledOut(what="another meter" if who is not None else "one meter", why=why),
            RuledOut(what="meters that never agreed", why="it is beyond what they leave over usually"),
            RuledOut(what="starts, stops and washes", why="hours with any are left out"),
        ),
        first_step=STEP,
    )


def _reads_high(balances: Balances, look: Look) -> bool:
    assert look.who is not None
    return float(balances.matrix[:, look.who] @ (look.off * _through(balances, look.flows))) > 0
