"""When a skid runs, when its filters are washed, and when nothing should be judged."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

import numpy as np

from analytics.carry import Carry
from analytics.frame import UNUSABLE, Channel, Flag, Mask
from analytics.grid import last_index
from analytics.washes import state_says, step_inferred
from skidhand.fleet import SkidView

SETTLE: Final = 12  # minutes after a start, stop or wash: 10 to 15 are common practice, no source
FLOW_LOW: Final = 0.30  # share of design flow, where no skid unit gives its own limit

Channels = Mapping[tuple[str, str], Channel]

FLOWS: Final = (
    ("feed_pump", "flow"),
    ("hydrocyclone", "inlet_flow"),
    ("strainer", "flow"),
    ("weir_tank", "inlet_flow"),
    ("outlet", "flow"),
    ("media_filter", "flow"),
    ("flotation", "flow"),
    ("reverse_osmosis", "feed_flow"),
)
"""Flows that tell whether water goes through the skid, the best witness first."""


def running_mask(skid: SkidView, channels: Channels, spoke: Mask) -> tuple[Mask, Mask]:
    """(running, known): in each minute the word of the first source that has one: skid, feed pumps, flow.

    Several units of one type (pumps, parallel filters) count together. A skid with none of these
    instruments runs whenever it speaks. Where nothing is known it counts as not running.
    """
    running = np.zeros(len(spoke), dtype=np.bool_)
    known = np.zeros(len(spoke), dtype=np.bool_)
    sources = 0
    for says, knows in _witnesses(skid, channels):
        running = np.where(known, running, says & knows)
        known |= knows
        sources += 1
    return (running, known) if sources else (spoke.copy(), spoke)


def _witnesses(skid: SkidView, channels: Channels) -> Iterator[tuple[Mask, Mask]]:
    for kind in ("skid", "feed_pump"):
        found = _of(skid, channels, kind, "running")
        if found:
            yield np.any([c.value > 0 for c in found], axis=0), np.any([_known(c) for c in found], axis=0)
    for kind, role in FLOWS:
        found = _of(skid, channels, kind, role)
        if found:
            flow = np.sum([np.where(_known(c), c.value, 0.0) for c in found], axis=0)
            yield flow > flow_low(skid), np.any([_known(c) for c in found], axis=0)


def _of(skid: SkidView, channels: Channels, kind: str, role: str) -> list[Channel]:
    return [channels[unit.id, role] for unit in skid.of_type(kind) if (unit.id, role) in channels]


def _known(channel: Channel) -> Mask:
    return np.asarray((channel.flags & int(UNUSABLE & ~Flag.FROZEN)) == 0) & np.isfinite(channel.value)


def flow_low(skid: SkidView) -> float:
    """m³/h below which nothing is judged: a share of design flow, or 0 where that is not given."""
    share = next((unit.limits["flow_low"] for unit in skid.of_type("skid")), FLOW_LOW)
    return 0.0 if skid.design_flow is None else share * skid.design_flow


def washing_masks(skid: SkidView, channels: Channels, running: Mask, carry: Carry) -> tuple[dict[str, Mask], Carry]:
    """For each media filter: minutes in which it is washed, by its state signal or else by inference."""
    masks: dict[str, Mask] = {}
    washes = dict(carry.washes)
    for unit in skid.of_type("media_filter"):
        state = channels.get((unit.id, "backwash"))
        if state is not None:
            masks[unit.id], washes[unit.id] = state_says(unit, state, washes.get(unit.id))
        else:
            flow, dp = channels.get((unit.id, "flow")), channels.get((unit.id, "dp"))
            masks[unit.id], washes[unit.id] = step_inferred(flow, dp, running, flow_low(skid), washes.get(unit.id))
    return masks, carry.model_copy(update={"washes": washes})


def settling_mask(
    start: int, running: Mask, known: Mask, washing: Mapping[str, Mask], before: Carry, carry: Carry
) -> tuple[Mask, Carry]:
    """SETTLE minutes from each start, stop, and beginning or end of a wash.

    A minute in which it is not ``known`` whether the skid runs neither starts nor stops it. ``before`` is
    what was carried into the block, ``carry`` what is carried on.
    """
    index = last_index(known)
    steady = np.where(index >= 0, running[np.maximum(index, 0)], bool(before.running))
    edge = known & (steady != np.append(bool(before.running), steady[:-1]))
    if before.running is None and known.any():
        edge[int(np.argmax(known))] = False  # the first word is not a change
    for unit, mask in washing.items():
        was = before.washes[unit].washing if unit in before.washes else bool(mask[0])
        edge |= mask != np.append(was, mask[:-1])
    last = last_index(edge)
    since = np.where(last >= 0, start + last, -1 if before.edge is None else before.edge)
    settling = (since >= 0) & (start + np.arange(len(known)) - since < SETTLE)
    update = {
        "running": bool(steady[-1]) if index[-1] >= 0 else before.running,
        "edge": int(since[-1]) if since[-1] >= 0 else None,
    }
    return settling, carry.model_copy(update=update)
