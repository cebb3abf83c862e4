"""Spikes: single samples that fit neither their past nor their future.

Two published tests in turn. The spike height of QARTOD (US IOOS, doi 10.7289/V5V40SD4) finds candidates
cheaply; the Hampel identifier (Hampel, J. Am. Stat. Assoc. 69 (1974) 383), its median absolute
deviation floored at the instrument's resolution, decides. Neighbours ahead of a sample count only within
its own minute, so that a minute is judged by itself and its past. The price: the first sample of a lasting
step may be left out. The second is none, because a candidate must jump away from the sample before it.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from analytics.frame import F64, I64, Mask

REACH: Final = 10  # samples on each side
MIN_WINDOW: Final = 5  # samples, itself included, below which nothing is judged
SIGMAS: Final = 8.0  # of the window's own noise: at 3 so small a window calls one good sample in forty
MAD_TO_SIGMA: Final = 1.482602218505602  # 1/Φ⁻¹(3/4)


def spike_height(before: F64, value: F64, after: F64) -> F64:
    """QARTOD: \\|x(n) − (x(n−1) + x(n+1))/2\\|, NaN where a neighbour is."""
    return np.abs(value - (before + after) / 2.0)


def hampel_score(window: F64, value: F64, floor: F64) -> F64:
    """Distance of ``value`` from its window's median in standard deviations that the window's MAD implies.

    ``window`` (n, k), NaN where there is no neighbour; ``value`` and ``floor`` (n,), the floor a standard
    deviation in the value's unit.
    """
    middle = np.nanmedian(window, axis=1)
    mad = np.nanmedian(np.abs(window - middle[:, None]), axis=1)
    return np.asarray(np.abs(value - middle) / np.maximum(MAD_TO_SIGMA * mad, floor))


def find_spikes(tag: I64, minute: I64, value: F64, floor: F64) -> Mask:
    """True for spikes among values sorted by (tag, time), all finite.

    ``floor`` per tag: the least standard deviation that its noise can have (its resolution).
    """
    n = len(value)
    spikes = np.zeros(n, dtype=np.bool_)
    if n < MIN_WINDOW:
        return spikes
    follows = np.append(False, tag[1:] == tag[:-1])
    leads = np.append(follows[1:] & (minute[1:] == minute[:-1]), False)
    before = np.append(value[:1], value[:-1])
    after = np.where(leads, np.append(value[1:], value[-1:]), before)
    height = spike_height(before, value, after)
    candidates = np.flatnonzero(follows & (height > SIGMAS / 2.0 * floor[tag]))
    if len(candidates):
        at = candidates[:, None] + np.arange(-REACH, REACH + 1)
        inside = (at >= 0) & (at < n)
        at = np.clip(at, 0, n - 1)
        own = candidates[:, None]
        inside &= (tag[at] == tag[own]) & ((at <= own) | (minute[at] == minute[own]))
        window = np.where(inside, value[at], np.nan)
        score = hampel_score(window, value[candidates], floor[tag[candidates]])
        spikes[candidates] = (score > SIGMAS) & (inside.sum(axis=1) >= MIN_WINDOW)
    return spikes
