"""Cleaning: raw samples of one skid in, flagged minutes out. Nothing raw is altered or deleted.

Order as in QARTOD (US IOOS, doi 10.7289/V5V40SD4): missing, range, spike, flat line. A sample that is
Bad, outside the range or a spike stays out of its minute's figures as long as the minute has others;
where it has none, the figures show what was read and the flag says why they must not be used.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from analytics.carry import Carry, TagCarry
from analytics.frame import F64, I64, U16, Flag, Mask
from analytics.grid import FIGURES, Cells, Rows, any_in_cell, cells_of, last_index
from analytics.spikes import REACH, find_spikes
from skidhand.fleet import SkidView
from skidhand.fleet.model import Instrument

OVERRANGE: Final = 0.0125  # of span beyond the range that still counts as measured: 3.8 mA, NAMUR NE 43
RESOLUTION: Final = 0.001  # of span where the file gives no deadband: common practice, no source
HOLD_ON_CHANGE: Final = 1440  # minutes that an on-change value stands, unless the file gives an interval
MISSED_REPORTS: Final = 3  # reports that an on-change instrument with a given interval may miss
SILENCE: Final = 10  # minutes without any sample of the skid after which held values are uncertain


@dataclass(frozen=True)
class Rules:
    """What cleaning must know of each tag, arrays of shape (tags,)."""

    tags: tuple[str, ...]
    instruments: tuple[Instrument, ...]
    states: frozenset[str]

    @cached_property
    def low(self) -> F64:
        """Least value that counts as measured."""
        return np.array([-math.inf if i.range is None else i.range[0] - _slack(i) for i in self.instruments])

    @cached_property
    def high(self) -> F64:
        """Largest value that counts as measured."""
        return np.array([math.inf if i.range is None else i.range[1] + _slack(i) for i in self.instruments])

    @cached_property
    def floor(self) -> F64:
        """Least standard deviation that its noise can have; infinite where spikes are not looked for."""
        return np.array([self._floor(tag, i) for tag, i in zip(self.tags, self.instruments, strict=True)])

    def _floor(self, tag: str, instrument: Instrument) -> float:
        return (
            math.inf if tag in self.states or instrument.total or instrument.range is None else resolution(instrument)
        )

    @cached_property
    def hold(self) -> I64:
        """Minutes for which the last value stands."""
        return np.array([_hold(i) for i in self.instruments], dtype=np.int64)

    @cached_property
    def may_freeze(self) -> Mask:
        """Instruments that report all the time and measure something that moves."""
        return np.array(
            [
                not speaks_of_changes(i) and not i.total and tag not in self.states
                for tag, i in zip(self.tags, self.instruments, strict=True)
            ],
            dtype=np.bool_,
        )


def resolution(instrument: Instrument) -> float:
    """What it can tell apart, in its own unit: its deadband, at least a thousandth of its span; 0 without both."""
    low, high = instrument.range or (0.0, 0.0)
    return max(instrument.deadband or 0.0, RESOLUTION * (high - low))


def _slack(instrument: Instrument) -> float:
    return 0.0 if instrument.range is None else OVERRANGE * (instrument.range[1] - instrument.range[0])


def speaks_of_changes(instrument: Instrument) -> bool:
    """True where silence may mean "the same": it reports on change, or ``reduce`` thins it out before the store."""
    return instrument.reporting == "on_change" or instrument.reduce is not None


def _hold(instrument: Instrument) -> int:
    seconds = instrument.expected_s
    if instrument.reduce is not None and instrument.reporting == "periodic":
        # Something is kept at least so often, or as often as it is sent.
        return math.ceil(MISSED_REPORTS * max(instrument.reduce.max_interval, seconds or 0.0) / 60.0)
    if instrument.reporting == "on_change":
        return HOLD_ON_CHANGE if seconds is None else math.ceil(MISSED_REPORTS * seconds / 60.0)
    # A slow periodic instrument leaves minutes empty without having missed a report.
    return 0 if seconds is None or seconds < 30.0 else math.ceil(2.0 * seconds / 60.0)


def rules_of(skid: SkidView, tags: Sequence[str] | None = None) -> Rules:
    """Rules of ``tags``, or of every tag that some unit's role uses; sorted by tag."""
    roles = [(tag, unit.type.roles[role].state) for unit in skid.units for role, tag in unit.tags.items()]
    states = {tag for tag, state in roles if state} | {t for t, i in skid.instruments.items() if i.states}
    names = tuple(sorted({tag for tag, _ in roles} if tags is None else set(tags)))
    return Rules(names, tuple(skid.instruments[tag] for tag in names), frozenset(states))


@dataclass(frozen=True, slots=True)
class TagMinutes:
    """Cleaned minutes of every tag before the frozen test: figures and flags, (tags, minutes)."""

    cells: Cells
    flags: U16
    has: Mask  # real usable samples in the minute


def clean_tags(rules: Rules, rows: Rows, start: int, spoke: Mask, carry: Carry) -> tuple[TagMinutes, Carry]:
    """Minutes [start, start + len(spoke)) of the rows, which must lie in them.

    ``spoke`` says in which minutes the skid sent anything at all. Values in the instruments' own units.
    """
    shape = (len(rules.tags), len(spoke))
    minute = rows.minute - start
    old = {tag: carry.tags.get(tag, TagCarry()) for tag in rules.tags}
    outside = ~rows.bad & ((rows.value < rules.low[rows.tag]) | (rows.value > rules.high[rows.tag]))
    measured = ~rows.bad & ~outside
    spike, context = _spikes(rules, rows.tag[measured], minute[measured], rows.value[measured], old)
    spiky = np.zeros(len(rows), dtype=np.bool_)
    spiky[measured] = spike
    use = measured & ~spiky

    figures = cells_of(rows.tag[use], minute[use], rows.value[use], shape)
    has = figures.count > 0
    rest = ~use & ~rows.bad
    flags = np.zeros(shape, dtype=np.uint16)
    for mask, flag in ((spiky, Flag.SPIKE), (outside, Flag.RANGE)):
        flags |= np.where(any_in_cell(rows.tag[mask], minute[mask], shape) & ~has, int(flag), 0).astype(np.uint16)
    doubtful = use & rows.uncertain
    uncertain = any_in_cell(rows.tag[doubtful], minute[doubtful], shape)
    flags |= np.where(uncertain, int(Flag.UNCERTAIN), 0).astype(np.uint16)

    kept = ~spiky  # a spike does not end what was held before it
    latest = _latest(rows.tag[kept], minute[kept], np.where(use, rows.value, np.nan)[kept], shape)
    held, doubt, after = _held(rules, latest, start, spoke, carry, old)
    hold = np.isfinite(held) & ~has & (flags == 0)
    unusable = cells_of(rows.tag[rest], minute[rest], rows.value[rest], shape)
    shown = figures.fill_from(_standing(hold, held, unusable))
    flags |= np.where(hold, int(Flag.HELD), 0).astype(np.uint16)
    flags |= np.where(hold & doubt, int(Flag.UNCERTAIN), 0).astype(np.uint16)
    flags |= np.where(~np.isfinite(shown.value), int(Flag.GAP), 0).astype(np.uint16)
    tags = {tag: old[tag].model_copy(update={"context": context[tag], **after[tag]}) for tag in rules.tags}
    return TagMinutes(shown, flags, has), carry.model_copy(update={"tags": {**carry.tags, **tags}})


def _standing(hold: Mask, held: F64, otherwise: Cells) -> Cells:
    """A held value does not scatter; elsewhere the figures of ``otherwise``."""
    figures = (np.where(hold, 0.0 if name == "std" else held, getattr(otherwise, name)) for name in FIGURES)
    return Cells(otherwise.count, *figures)


def _spikes(
    rules: Rules, tag: I64, minute: I64, value: F64, old: Mapping[str, TagCarry]
) -> tuple[Mask, dict[str, list[float]]]:
    """Spikes among measured values, with each tag's earlier samples put before them."""
    before = [old[name].context for name in rules.tags]
    sizes = np.array([len(context) for context in before], dtype=np.int64)
    tags = np.concatenate([np.repeat(np.arange(len(sizes)), sizes), tag])
    order = np.argsort(tags.astype(np.int32), kind="stable")
    values = np.concatenate([np.array([v for context in before for v in context]), value])[order]
    minutes = np.concatenate([np.full(int(sizes.sum()), -1), minute])[order]
    tags = tags[order]
    found = find_spikes(tags, minutes, values, rules.floor)
    ends = np.searchsorted(tags, np.arange(len(sizes)), side="right")
    begins = np.append(0, ends[:-1])
    context = {
        name: values[max(int(b), int(e) - REACH) : int(e)].tolist()
        for name, b, e in zip(rules.tags, begins, ends, strict=True)
    }
    return found[order >= int(sizes.sum())], context


def _latest(tag: I64, minute: I64, value: F64, shape: tuple[int, int]) -> tuple[F64, Mask]:
    """The last row's value of each cell (NaN if that was not usable), and the cells that have a row."""
    last = np.full(shape, np.nan)
    last[tag, minute] = value  # rows are in time order, and of equal places the later one stays
    return last, any_in_cell(tag, minute, shape)


def _held(
    rules: Rules,
    latest: tuple[F64, Mask],
    start: int,
    spoke: Mask,
    carry: Carry,
    old: Mapping[str, TagCarry],
) -> tuple[F64, Mask, dict[str, dict[str, object]]]:
    """The value that still stands in each minute (NaN: none), where a silence makes it doubtful, the carry."""
    value, seen = latest
    never = start - 10**9
    first = np.array([np.nan if old[t].last is None else old[t].last for t in rules.tags], dtype=np.float64)
    first_minute = np.array([never if (m := old[t].last_minute) is None else m for t in rules.tags])
    index = last_index(seen)
    stands = np.where(index >= 0, np.take_along_axis(value, np.maximum(index, 0), axis=1), first[:, None])
    since = np.where(index >= 0, start + index, first_minute[:, None])
    now = start + np.arange(len(spoke))
    within = (now - since <= rules.hold[:, None]) & spoke
    resumed = resumed_at(start, spoke, carry)
    after: dict[str, dict[str, object]] = {
        tag: {
            "last": float(stands[i, -1]) if np.isfinite(stands[i, -1]) else None,
            "last_minute": int(since[i, -1]) if since[i, -1] > never else None,
        }
        for i, tag in enumerate(rules.tags)
    }
    return np.where(within, stands, np.nan), since < resumed, after


def resumed_at(start: int, spoke: Mask, carry: Carry) -> I64:
    """For each minute the first minute after the latest silence longer than SILENCE (0: there was none)."""
    now = start + np.arange(len(spoke))
    before = last_index(np.append(False, spoke[:-1]))  # shifted: position i stands for minute start + i - 1
    heard = np.where(before >= 0, start + before - 1, now if carry.last_heard is None else carry.last_heard)
    back = spoke & (now - heard > SILENCE)
    index = last_index(back)
    return np.asarray(np.where(index >= 0, start + index, carry.resumed or 0), dtype=np.int64)
