"""Whether so little water goes through a skid that nothing is judged: below the least share of its design flow."""

from __future__ import annotations

import numpy as np
from pydantic import BaseModel, ConfigDict

from analytics.frame import Block
from analytics.grid import last_index
from analytics.masks import FLOWS, flow_low
from skidhand.fleet import SkidView


class Band(BaseModel):
    """``low``: the first of the minutes in a row with less; ``flow``: what was read last, m³/h."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    low: int | None = None
    flow: float | None = None


def step_band(skid: SkidView, block: Block, before: Band) -> Band:
    """After the block. Minutes without a reading change nothing; nor does anything where no design flow is given."""
    least, witness = flow_low(skid), witness_of(skid)
    if least <= 0.0 or witness is None:
        return before
    kind, role = witness
    readings = np.array([block.clean(unit.id, role) for unit in skid.of_type(kind) if unit.has(role)])
    known = np.isfinite(readings).any(axis=0)
    if not known.any():
        return before
    flow = np.nansum(readings, axis=0)
    last, enough = (int(last_index(mask)[-1]) for mask in (known, known & (flow > least)))
    low = before.low if enough < 0 else None
    if low is None and (fell := np.flatnonzero(known[enough + 1 :])).size:
        low = int(block.minutes[enough + 1 + fell[0]])
    return Band(low=low, flow=float(flow[last]))


def witness_of(skid: SkidView) -> tuple[str, str] | None:
    """Unit type and role whose flow tells what goes through the skid; None where nothing measures it."""
    return next(((k, role) for k, role in FLOWS if any(unit.has(role) for unit in skid.of_type(k))), None)
