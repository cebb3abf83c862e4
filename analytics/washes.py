"""When a media filter is being washed: by its own state signal, or inferred from flow and pressure.

Inference is for filters without a ``backwash`` signal and knows two signs. Water that runs backwards
through the bed (beyond a tenth of design flow) is a wash while it lasts. And when the bed's resistance
(drop over flow) has fallen to less than half of what it was, or to less than four fifths over a time without
flow, and stays there for three minutes, a wash has just been: the third minute alone is marked, so a run is
seen to begin up to three minutes late. No flow alone proves nothing (the filter may stand by), and a wash
that frees the bed of less than a fifth of its resistance is not seen: an instrument for the wash is better
than any inference.
"""

from __future__ import annotations

from statistics import median
from typing import Final

import numpy as np

from analytics.carry import WashCarry
from analytics.frame import UNUSABLE, Channel, Flag, Mask
from skidhand.fleet import UnitView

WORDS: Final = ("wash", "rinse", "scour", "drain")
COLLAPSE: Final = 0.5  # of the earlier resistance: a wash takes a fouled bed back to about its clean drop
EASED: Final = 0.8  # the same over a time without flow: a wash takes the bed out of service, a broken bed does not
JUST_BACK: Final = 10  # minutes of flow in which what changed is put down to the time without
CONFIRM: Final = 3  # minutes
MEMORY: Final = 15  # minutes of resistance before it
ENOUGH: Final = 5
REVERSED: Final = -0.1 / 0.3  # of the low flow limit, which is 30 % of design flow unless the file says so


def state_says(unit: UnitView, state: Channel, carry: WashCarry | None) -> tuple[Mask, WashCarry]:
    """Washing wherever the state says so; a wash shorter than a minute shows too."""
    usable = ((state.flags & int(UNUSABLE & ~Flag.FROZEN)) == 0) & np.isfinite(state.value)
    named = unit.instruments["backwash"].states or {}
    washes = [code for code, name in named.items() if any(word in name.lower() for word in WORDS)]
    mask = usable & (np.isin(state.value, washes) if washes else np.asarray(state.high > 0.5))
    return mask, (carry or WashCarry()).model_copy(update={"washing": bool(mask[-1])})


def step_inferred(
    flow: Channel | None, dp: Channel | None, running: Mask, flow_low: float, carry: WashCarry | None
) -> tuple[Mask, WashCarry]:
    """As the module says. ``flow_low`` in m³/h: below it resistance means nothing."""
    carry = carry or WashCarry()
    mask = np.zeros(len(running), dtype=np.bool_)
    if flow is None:
        return mask, carry
    through = flow.clean()
    if flow_low > 0:
        mask |= through < REVERSED * flow_low
    history, low, back = list(carry.resistance), carry.low, carry.back
    if dp is not None:
        drop = dp.clean()
        judged = running & (through > flow_low) & np.isfinite(drop)
        stands = through <= flow_low
        for i in np.flatnonzero(judged | stands):
            if stands[i]:
                back = 0
                continue
            back = min(back + 1, JUST_BACK + 1)
            resistance = float(drop[i] / through[i])
            least = EASED if back <= JUST_BACK else COLLAPSE
            if len(history) >= ENOUGH and resistance < least * median(history):
                low += 1
                if low == CONFIRM:
                    mask[i] = True
                    history, low = [], 0
            else:
                low = 0
                history = [*history[-MEMORY + 1 :], resistance]
    return mask, WashCarry(washing=bool(mask[-1]), resistance=history, low=low, back=back)
