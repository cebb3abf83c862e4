"""Frozen readings: constant to the last digit while the instrument used to move and its partners still do.

The flat-line idea of QARTOD (US IOOS, doi 10.7289/V5V40SD4) with two conditions that spare the innocent:
an instrument that never moved much (coarse resolution, slow quantity) cannot freeze, and one that stands
while everything stands (skid stopped) has not frozen. An exact zero is left alone: flow meters cut off
below their low limit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from analytics.carry import TagCarry
from analytics.frame import F64, I64, Mask
from analytics.grid import last_index

WINDOW: Final = 30  # minutes of standing still: common practice, no source
LEARN: Final = 120  # minutes that must have been seen before an instrument may be called frozen
LIVELY: Final = 0.5  # least share of minutes in which it used to move
PARTNERS: Final = 2  # least number of other instruments that must be moving


def frozen(
    tags: Sequence[str],
    watched: Mask,
    has: Mask,
    low: F64,
    high: F64,
    last: F64,
    running: Mask,
    carry: Mapping[str, TagCarry],
) -> tuple[Mask, dict[str, dict[str, object]]]:
    """Minutes in which each tag is frozen, and what to carry on.

    Arrays are (tags, minutes) except ``watched`` (tags,), the instruments that the test is for, and
    ``running`` (minutes,). ``has`` is where a tag has real samples.
    """
    old = [carry[tag] for tag in tags]
    start = np.array([np.nan if c.previous is None else c.previous for c in old])[:, None]
    index = last_index(has)
    earlier = np.concatenate([np.full((len(tags), 1), -1), index[:, :-1]], axis=1)
    previous = np.where(earlier >= 0, np.take_along_axis(last, np.maximum(earlier, 0), axis=1), start)
    still = has & (low == high) & (low == previous)
    moved = has & ~still & np.isfinite(previous)
    judge = _partners_move(moved & watched[:, None], has & watched[:, None]) & running & watched[:, None]

    standing = _since_move(still & judge & (low != 0.0), moved, np.array([c.still for c in old]))
    fresh = judge & (moved | (still & (standing <= WINDOW)))
    seen = np.array([c.judged for c in old])[:, None] + np.cumsum(fresh, axis=1)
    moves = np.array([c.moved for c in old])[:, None] + np.cumsum(moved & judge, axis=1)
    usual = (seen >= LEARN) & (moves >= LIVELY * seen)
    lively = _at_last(moved, usual, np.array([c.lively for c in old]))
    result = still & lively & (standing >= WINDOW) & watched[:, None]
    carried: dict[str, dict[str, object]] = {
        tag: {
            "previous": _number(last[i, index[i, -1]] if index[i, -1] >= 0 else start[i, 0]),
            "still": int(standing[i, -1]),
            "moved": int(moves[i, -1]),
            "judged": int(seen[i, -1]),
            "lively": bool(lively[i, -1]),
        }
        for i, tag in enumerate(tags)
    }
    return result, carried


def _partners_move(moved: Mask, has: Mask) -> Mask:
    """For each tag and minute: at least PARTNERS others have samples, and at least half of them move."""
    others = has.sum(axis=0) - has
    moving = moved.sum(axis=0) - moved
    return np.asarray((moving >= PARTNERS) & (2 * moving >= others))


def _since_move(count: Mask, moved: Mask, carried: I64) -> I64:
    """How many ``count`` minutes there were since the last ``moved`` one."""
    total = np.cumsum(count, axis=1)
    reset = last_index(moved)
    base = np.where(reset >= 0, np.take_along_axis(total, np.maximum(reset, 0), axis=1), -carried[:, None])
    return np.asarray(total - base, dtype=np.int64)


def _at_last(where: Mask, value: Mask, carried: Mask) -> Mask:
    """``value`` as it was at the last ``where``."""
    index = last_index(where)
    return np.where(index >= 0, np.take_along_axis(value, np.maximum(index, 0), axis=1), carried[:, None])


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
