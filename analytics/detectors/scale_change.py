"""A reading that jumps to another scale or zero while the plant stays as it was (docs/detectors/scale_change.md).

Somebody has set the transmitter to another unit: reading and noise change by the factor between two units, at once, and
nothing else on the unit moves. Where the new reading does not fit its range, the transmitter holds it just beyond the
range's end, without noise. Or a level has been zeroed anew: no flow lifts a tank's surface that fast.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite
from typing import ClassVar, Final

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from analytics.detectors.base import Coverage, Draft, NothingLearnt, State
from analytics.episodes import ordered, own_roles
from analytics.evidence import number, plain, trace
from analytics.frame import F64, I64, Block, Flag, Mask
from analytics.grid import AWAY
from analytics.lines import middles
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, RuledOut
from skidhand.units import convert, same_dimension

# Common practice, no source.
SIDE: Final = 10  # minutes on each side of a jump
KEEP: Final = 2 * SIDE + 4  # minutes that a later block needs of an earlier one
NEAR: Final = 0.03  # by which the new reading may miss the factor between two units
NOISE: Final = 1.8  # times by which the noise may miss it
LEAST: Final = 0.2  # relative change below which a jump is no other unit
ZERO: Final = 0.05  # of the range, by which a level must jump
FLAT: Final = 0.2  # of the jump, within which a level must stay before and after it
PARTNER: Final = 0.1  # relative change of another reading of the unit that makes it the plant
FAR: Final = 0.4  # of its largest, by which another reading goes where water stops flowing: then all may read anything
HELD: Final = (0.0075, 0.04)  # of the span beyond its end, where a live signal is held: 3.8 and 20.5 mA of NAMUR NE 43
STILL: Final = 0.02  # times the earlier noise, of one that is held
LASTS: Final = 72 * 60  # minutes after which the new scale is the usual one
UNITS: Final = (
    "kPa", "bar", "[psi]", "[in_i'H2O]", "m3/h", "[gal_us]/min", "L/min", "L/h", "[bbl_us]/d", "m", "cm", "[ft_i]",
    "[in_i]", "Cel", "[degF]", "K", "mS/cm", "uS/cm", "mg/L", "g/L",
)  # fmt: skip
LEVELS: Final = frozenset({"level", "interface_level"})
TANKS: Final = frozenset({"weir_tank", "buffer_tank"})
UNUSABLE: Final = int(Flag.GAP | Flag.SPIKE | Flag.FROZEN)  # what is out of range is just what is looked for
STEP: Final = "Suggest checking the transmitter's unit, range and zero against the fleet file, per site procedure."


class Told(BaseModel):
    """What was said of one role, and by how much the reading had jumped: times (None from zero), or m of a level."""

    model_config = ConfigDict(extra="forbid")

    draft: Draft
    factor: float | None
    step: float


class ScaleState(State):
    """The last minutes of each role (minute, value, noise, calm, lag), and what was said."""

    tails: dict[str, tuple[tuple[int, float, float, bool, float], ...]] = Field(default_factory=dict)
    told: dict[str, Told] = Field(default_factory=dict)
    jumped: dict[str, int] = Field(default_factory=dict)  # the last jump of each role that was spoken of


@dataclass(frozen=True, slots=True)
class Jump:
    """From ``before`` to ``after`` (medians, the type's unit) in minute ``at``; the unit read, if one fits."""

    at: int
    before: float
    after: float
    noise: float  # times by which it changed, NaN where there was none before
    unit: str | None
    held: bool = False  # at the end of its range: ``unit`` would be one that puts it there


class ScaleChange(NothingLearnt):
    """Kind ``scale-change`` of any instrument that measures."""

    name: ClassVar[str] = "scale_change"
    version: ClassVar[int] = 4
    kinds: ClassVar[frozenset[str]] = frozenset({"scale-change"})
    unit_type: ClassVar[str] = "*"
    state: ClassVar[type[State]] = ScaleState

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """Periodic readings with a unit that others could be mistaken for."""
        return Coverage(self.kinds if _roles(unit, skid) else frozenset())

    def start(self, unit: UnitView, skid: SkidView) -> ScaleState:  # noqa: ARG002
        """Nothing seen."""
        return ScaleState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """Ten minutes before against ten minutes after each large step."""
        assert isinstance(state, ScaleState)
        tails, told, jumped = dict(state.tails), dict(state.told), dict(state.jumped)
        drafts = list[Draft]()
        rows = {role: _rows(block, unit, role, tails.get(role, ())) for role in _roles(unit, skid)}
        for role, (minutes, values, noise, calm, lag) in rows.items():
            keep = zip(*(column[-KEEP:] for column in rows[role]), strict=True)
            tails[role] = tuple((int(m), float(v), float(s), bool(c), float(x)) for m, v, s, c, x in keep)
            for k in _candidates(unit, role, minutes, values, calm, lag, int(block.minutes[0])):
                jump = _jump(unit, role, k, minutes, values, noise)
                end = int(minutes[k + SIDE])
                if jump.at - jumped.get(role, -SIDE) < SIDE:
                    continue  # the same jump, seen from its second minute
                drafts += _aged(told, role, end)
                before = told.get(role)
                if before is not None and _undone(before, jump, end, zeroed=_zeroed(unit, role)):
                    drafts.append(replace(before.draft, minute=end, ended=max(jump.at, before.draft.onset)))
                    del told[role]
                    jumped[role] = jump.at
                elif before is None and (jump.unit or _zeroed(unit, role)) and not _moved(rows, role, jump):
                    draft = _draft(
                        unit, role, jump, end, minutes[k - SIDE : k + SIDE + 1], values[k - SIDE : k + SIDE + 1]
                    )
                    factor = jump.after / jump.before if jump.before else None
                    told[role] = Told(draft=draft, factor=factor, step=jump.after - jump.before)
                    drafts.append(draft)
                    jumped[role] = jump.at
            drafts += _aged(told, role, int(block.minutes[-1]))
        return ScaleState(tails=tails, told=told, jumped=jumped), ordered(drafts)


PLUGIN = ScaleChange()
_Rows = tuple[I64, F64, F64, Mask, F64]


def _roles(unit: UnitView, skid: SkidView) -> list[str]:
    found = list[str]()
    for role in own_roles(unit, skid):
        known = unit.instruments[role]
        if known.states is None and not known.total and known.reporting == "periodic" and known.range is not None:
            found += [role] if any(other != known.unit and same_dimension(other, known.unit) for other in UNITS) else []
    return found


def _rows(block: Block, unit: UnitView, role: str, tail: tuple[tuple[int, float, float, bool, float], ...]) -> _Rows:
    """Usable minutes with those carried over: minute, value, noise, whether nothing was going on, lag of the stamps."""
    channel = block.get(unit.id, role)
    if channel is None:
        use = np.zeros(len(block), dtype=np.bool_)
        values = noise = np.zeros(len(block))
    else:
        values, noise = channel.value, channel.std
        use = ((channel.flags & UNUSABLE) == 0) & np.isfinite(values)
    calm = block.running & ~block.settling
    old = np.array(tail, dtype=np.float64).reshape(-1, 5)
    return (
        np.concatenate([old[:, 0].astype(np.int64), block.minutes[use]]),
        np.concatenate([old[:, 1], values[use]]),
        np.concatenate([old[:, 2], np.nan_to_num(noise[use])]),
        np.concatenate([old[:, 3] > 0.5, calm[use]]),
        np.concatenate([old[:, 4], np.nan_to_num(block.lag[use])]),
    )


def _candidates(unit: UnitView, role: str, minutes: I64, values: F64, calm: Mask, lag: F64, first: int) -> list[int]:
    """Positions of the first minute behind a large step that has its ten minutes on each side, calm and unbroken.

    A clock that is set puts minutes side by side that did not follow each other.
    """
    if len(values) < 2 * SIDE + 2:
        return []
    span = unit.instruments[role].range
    assert span is not None
    wide = abs(unit.shown(role, 1.0)[0] - unit.shown(role, 0.0)[0])
    k = np.arange(SIDE + 1, len(values) - SIDE)
    step = np.abs(values[k] - values[k - 2])
    large = (step > LEAST * np.abs(values[k - 2])) | (step > ZERO * (span[1] - span[0]) / wide)
    k = k[large & (minutes[k + SIDE] >= first)]
    # What _sharp asks for, of two of the minutes before: it leaves few to look at closer.
    most = FLAT / (1.0 - FLAT) * np.abs(values[k] - values[k - 2])
    k = k[np.maximum(np.abs(values[k - 2] - values[k - 5]), np.abs(values[k - 2] - values[k - 10])) <= most]
    whole = minutes[k + SIDE] - minutes[k - SIDE - 1] <= 2 * SIDE + 3
    around = k[:, None] + np.arange(-SIDE - 1, SIDE + 1)
    k = k[whole & calm[around].all(axis=1) & (np.ptp(lag[around], axis=1) < AWAY)]
    return list(k[_sharp(values, k)].tolist())


def _sharp(values: F64, k: I64) -> Mask:
    """The step is nearly all of the change between both sides, and is over in the minute in which it began."""
    before, after = values[k[:, None] + np.arange(-SIDE - 1, -1)], values[k[:, None] + np.arange(SIDE)]
    step = middles(after) - middles(before)
    at_once = np.abs(values[k] - values[k - 2] - step) <= FLAT * np.abs(step)
    return np.asarray((step != 0.0) & at_once & (np.ptp(before, axis=1) <= FLAT * np.abs(step)))


def _jump(unit: UnitView, role: str, k: int, minutes: I64, values: F64, noise: F64) -> Jump:
    before, after = (float(np.median(values[part])) for part in (slice(k - SIDE - 1, k - 1), slice(k, k + SIDE)))
    louder = [float(np.median(noise[part])) for part in (slice(k - SIDE - 1, k - 1), slice(k, k + SIDE))]
    ratio = louder[1] / louder[0] if louder[0] > 0 else float("nan")
    if ratio < STILL and (held := _held_for(unit, role, before, after)) is not None:
        return Jump(int(minutes[k - 1]), before, after, ratio, held, held=True)
    return Jump(int(minutes[k - 1]), before, after, ratio, _unit_read(unit, role, before, after, ratio))


def _held_for(unit: UnitView, role: str, before: float, after: float) -> str | None:
    """The unit in which the reading would not fit its range any more, if ``after`` is where a transmitter holds it.

    Of several that which changes the reading the least.
    """
    known, now = unit.instruments[role], unit.shown(role, after)[0]
    assert known.range is not None
    low, high = known.range
    beyond = [(now - high) / (high - low), (low - now) / (high - low)]
    side = next((i for i, part in enumerate(beyond) if HELD[0] <= part <= HELD[1]), None)
    if side is None:
        return None
    was = unit.shown(role, before)[0]
    out = dict[str, float]()
    for other in UNITS:
        if same_dimension(other, known.unit):
            # Another unit, or another range: the signal's share of its span changes by the factor.
            shift = low + (was - low) * convert(1.0, known.unit, other, difference=True)
            reads = [convert(was, known.unit, other), shift]
            fits = [read for read in reads if (read > now if side == 0 else read < now)]
            out |= {other: min(abs(read - was) for read in fits)} if fits else {}
    return min(out, key=lambda other: out[other], default=None)


def _unit_read(unit: UnitView, role: str, before: float, after: float, noise: float) -> str | None:
    """The unit that the transmitter seems to give now: reading and noise have changed as a change to it would."""
    own = unit.instruments[role].unit
    was, now = unit.shown(role, before)[0], unit.shown(role, after)[0]
    for other in UNITS:
        if other == own or not same_dimension(other, own):
            continue
        expected, factor = convert(was, own, other), convert(1.0, own, other, difference=True)
        if abs(now - expected) <= NEAR * abs(expected) and 1 / NOISE < noise / factor < NOISE:
            return other if abs(expected - was) > LEAST * abs(was) else None
    return None


def _zeroed(unit: UnitView, role: str) -> bool:
    return unit.type.name in TANKS and role in LEVELS


def _moved(rows: dict[str, _Rows], role: str, jump: Jump) -> bool:
    """Another reading of the unit has jumped with it; of one that is held at its range's end, has gone far at all."""
    for other, (minutes, values, *_) in rows.items():
        near = np.abs(minutes - jump.at) <= SIDE
        before, after = values[near & (minutes < jump.at)], values[near & (minutes > jump.at)]
        if other != role and len(before) and len(after):
            if jump.held and float(np.ptp(values[near])) > FAR * float(np.max(np.abs(values[near]))):
                return True
            was, now = float(np.median(before)), float(np.median(after))
            if abs(now - was) > PARTNER * max(abs(was), abs(now)) and abs(now - was) > 3 * float(np.ptp(before)):
                return True
    return False


def _undone(told: Told, jump: Jump, end: int, *, zeroed: bool) -> bool:
    """It jumps back by the same factor; a level that was zeroed, by the same step. A stop is neither."""
    if end <= told.draft.minute:
        return False
    if told.factor and jump.before and abs(jump.after / jump.before * told.factor - 1.0) < 0.3:
        return True
    return zeroed and abs(jump.after - jump.before + told.step) < 0.3 * abs(told.step)


def _aged(told: dict[str, Told], role: str, now: int) -> list[Draft]:
    """After three days it is as it is."""
    draft = told[role].draft if role in told else None
    if draft is None or draft.onset + LASTS > now:
        return []
    del told[role]
    return [replace(draft, minute=draft.onset + LASTS, ended=draft.onset + LASTS)]


def _draft(unit: UnitView, role: str, jump: Jump, minute: int, minutes: I64, values: F64) -> Draft:
    numbers = [
        number(unit, role, "reading_before", jump.before),
        number(unit, role, "reading_after", jump.after),
    ]
    if isfinite(jump.noise):  # a level that comes once a minute shows none
        numbers.append(plain("noise_times", jump.noise))
    own = unit.instruments[role].unit
    if jump.unit and jump.held:
        why = f"it stands without noise where a transmitter holds what its range cannot show, as {jump.unit} would"
    elif jump.unit:
        numbers.append(plain("factor", convert(1.0, own, jump.unit, difference=True)))
        why = f"reading and noise changed as they would from {own} to {jump.unit}"
    else:
        why = "the surface cannot move so far in a minute, and it lies still before and after"
    return Draft(
        minute=minute,
        kind="scale-change",
        run_key=str(jump.at),
        onset=jump.at,
        severity="low",
        confidence=0.6 if jump.held else 0.85 if jump.unit else 0.7,
        unit=unit.tags[role],
        evidence=Evidence(numbers=tuple(numbers), traces=(trace(unit, role, role, minutes.tolist(), values.tolist()),)),
        ruled_out=(RuledOut(what="the plant", why=f"{why}; nothing else on the unit jumped"),),
        first_step=STEP,
    )
