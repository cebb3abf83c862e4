"""Cleaned minutes of one skid over a period, read a day at a time, as an export shows them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from analytics.blocks import clean_both
from analytics.carry import Carry
from analytics.cleaning import rules_of
from analytics.export import LEAD, pieces
from analytics.frame import F64, I64, UNUSABLE, Mask
from analytics.grid import rows_of
from analytics.segments import minute_of, time_of
from skidhand.fleet import SkidView
from skidhand.model.samples import series_id
from skidhand.stores.base import Store


@dataclass(frozen=True, slots=True)
class Minutes:
    """``usable``: tag → minute values in the instrument's own unit, NaN where not usable.

    ``roles``: (unit, role) → the same in the role's unit, for formulas. ``washing`` by media filter.
    """

    minutes: I64
    usable: Mapping[str, F64]
    roles: Mapping[tuple[str, str], F64]
    running: Mask
    washing: Mapping[str, Mask]


def minutes_of(store: Store, view: SkidView, start: datetime, end: datetime) -> Minutes:
    """Minutes [start, end), cleaned with the same lead as an export's."""
    rules = rules_of(view, tuple(view.instruments))
    first, last = minute_of(start), minute_of(end)
    series = [series_id(view.id, tag) for tag in rules.tags]
    carry, parts = Carry(), []
    for begin, stop in pieces(first - LEAD, first, last):
        rows = rows_of(store.read(series, time_of(begin), time_of(stop)), view.id, rules.tags)
        block, minutes, carry = clean_both(view, rows, begin, stop, carry, rules=rules)
        if begin < first:
            continue
        cells = minutes.cells
        values = {
            tag: np.where(
                (minutes.flags[i] & int(UNUSABLE)) == 0,
                cells.last[i] if tag in rules.states else cells.value[i],
                np.nan,
            )
            for i, tag in enumerate(rules.tags)
        }
        roles = {key: channel.clean() for key, channel in block.channels.items()}
        parts.append(Minutes(block.minutes, values, roles, block.running, block.washing))
    return Minutes(
        np.concatenate([part.minutes for part in parts]),
        {tag: np.concatenate([part.usable[tag] for part in parts]) for tag in rules.tags},
        {key: np.concatenate([part.roles[key] for part in parts]) for key in parts[0].roles},
        np.concatenate([part.running for part in parts]),
        {unit: np.concatenate([part.washing[unit] for part in parts]) for unit in parts[0].washing},
    )
