"""From samples to the :class:`~analytics.frame.Block` that detectors see: clean, convert, mask."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analytics.carry import Carry
from analytics.cleaning import Rules, TagMinutes, clean_tags, resumed_at, rules_of
from analytics.frame import F64, Block, Channel, Flag, Mask
from analytics.frozen import frozen
from analytics.grid import Rows, lag_of, last_index
from analytics.masks import running_mask, settling_mask, washing_masks
from skidhand import brine
from skidhand.fleet import SkidView, UnitView
from skidhand.units import convert_array

NUMBERED = ("value", "low", "high")


def clean(skid: SkidView, rows: Rows, start: int, stop: int, carry: Carry, *, rules: Rules) -> tuple[Block, Carry]:
    """The block of minutes [start, stop) and what to carry on; see :func:`clean_both`."""
    block, _, carry = clean_both(skid, rows, start, stop, carry, rules=rules)
    return block, carry


def clean_both(
    skid: SkidView, rows: Rows, start: int, stop: int, carry: Carry, *, rules: Rules
) -> tuple[Block, TagMinutes, Carry]:
    """The block of minutes [start, stop), the same by tag in the instruments' own units, what to carry on.

    ``rows`` are the skid's samples in these minutes, of the tags of ``rules``, and of any others numbered
    after them (they only prove that the skid speaks). Cutting the minutes differently gives equal arrays.
    """
    before = carry
    spoke = np.zeros(stop - start, dtype=np.bool_)
    spoke[rows.minute - start] = True
    known = rows if (rows.tag < len(rules.tags)).all() else rows.take(rows.tag < len(rules.tags))
    minutes, carry = clean_tags(rules, known, start, spoke, carry)
    channels = channels_of(skid, rules, minutes)
    running, sure = running_mask(skid, channels, spoke)
    minutes, carry = _freeze(rules, minutes, running, carry)
    for key, channel in channels.items():
        channels[key] = replace(channel, flags=minutes.flags[rules.tags.index(channel.tag)])
    washing, carry = washing_masks(skid, channels, running, carry)
    lag = lag_of(rows, start, stop - start)
    settling, carry = settling_mask(start, running, sure, washing, before, carry)
    resumed = resumed_at(start, spoke, before)
    last = int(last_index(spoke)[-1])
    carry = carry.model_copy(
        update={"last_heard": start + last if last >= 0 else carry.last_heard, "resumed": int(resumed[-1]) or None}
    )
    block = Block(np.arange(start, stop, dtype=np.int64), channels, running, washing, settling, lag)
    return block, minutes, carry


def clean_block(skid: SkidView, rows: Rows, start: int, stop: int, carry: Carry | None = None) -> tuple[Block, Carry]:
    """As :func:`clean` with the rules of the skid's roles; ``rows`` in the order of ``rules_of(skid).tags``."""
    return clean(skid, rows, start, stop, carry or Carry(), rules=rules_of(skid))


def _freeze(rules: Rules, minutes: TagMinutes, running: Mask, carry: Carry) -> tuple[TagMinutes, Carry]:
    cells = minutes.cells
    stuck, after = frozen(
        rules.tags, rules.may_freeze, minutes.has, cells.low, cells.high, cells.last, running, carry.tags
    )
    flags = minutes.flags | np.where(stuck, int(Flag.FROZEN), 0).astype(np.uint16)
    tags = {tag: carry.tags[tag].model_copy(update=after[tag]) for tag in rules.tags}
    return replace(minutes, flags=flags), carry.model_copy(update={"tags": {**carry.tags, **tags}})


def channels_of(skid: SkidView, rules: Rules, minutes: TagMinutes) -> dict[tuple[str, str], Channel]:
    """Every role's channel in the role's own unit."""
    place = {tag: i for i, tag in enumerate(rules.tags)}
    return {
        (unit.id, role): _channel(skid, unit, role, place[tag], minutes)
        for unit in skid.units
        for role, tag in unit.tags.items()
        if tag in place
    }


def _channel(skid: SkidView, unit: UnitView, role: str, i: int, minutes: TagMinutes) -> Channel:
    cells, wanted = minutes.cells, unit.type.roles[role]
    figures = {name: getattr(cells, name)[i] for name in NUMBERED}
    if wanted.state:
        figures["value"] = cells.last[i]
    figures = {name: in_role_unit(skid, unit, role, figure) for name, figure in figures.items()}
    return Channel(
        tag=unit.tags[role],
        unit=wanted.unit,
        std=np.abs(in_role_unit(skid, unit, role, cells.std[i], difference=True)),
        count=cells.count[i],
        flags=minutes.flags[i],
        **figures,
    )


def in_role_unit(skid: SkidView, unit: UnitView, role: str, values: F64, *, difference: bool = False) -> F64:
    """``values`` from the instrument's declared unit to the unit that the role calculates in.

    [ppm] becomes mg/L: by the brine's density (kg/L) where the basis is mass or not given, by the oil's
    (g/mL) where it is volume, because the droplets' volume is what is counted then.
    """
    wanted, instrument = unit.type.roles[role], unit.instruments[role]
    if instrument.unit == "[ppm]" and wanted.unit == "mg/L":
        return values * ppm_factor(skid, instrument.basis)
    return convert_array(values, instrument.unit, wanted.unit, difference=difference or wanted.difference)


def ppm_factor(skid: SkidView, basis: str | None) -> float:
    """mg/L for 1 ppm of oil; 1 where the fleet file does not say what the water or the oil is."""
    if basis == "volume":
        return 1.0 if skid.oil_api is None else float(brine.oil_density(skid.oil_api)) / 1000.0
    if skid.tds is None:
        return 1.0
    return float(brine.density(brine.mass_fraction(min(skid.tds, brine.SATURATED_G_PER_L)), 25.0)) / 1000.0
