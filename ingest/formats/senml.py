"""SenML in JSON: a list of records, each one value of one name, with base fields that carry on.

Topic ``skidhand/<site>/<skid>/senml``. RFC 8428, Sensor Measurement Lists (2018); units as its registry
names them (:mod:`ingest.formats.senml_units`). The skid is the topic's; a record's name (base name + name)
is the instrument's: whole where that is an alias, else its part after the last ``/`` or ``:``.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from dataclasses import dataclass, replace
from typing import Final

from ingest.formats.base import Decoded, Reading
from ingest.formats.json_text import parse_json
from ingest.formats.senml_units import UCUM
from ingest.reasons import Reason, Tally, shown

VERSION: Final = 10
"""The version of RFC 8428 (section 4.4: a newer one must not be read)."""

RELATIVE_BELOW_US: Final = 2**28 * 1_000_000
"""Section 4.5.3: a time below 2^28 s counts from now, a greater one from 1970."""

BASES: Final = frozenset({"bn", "bt", "bu", "bv", "bs", "bver"})
VALUES: Final = ("v", "vb", "vs", "vd")


class _Unreadable(Exception):  # noqa: N818 - it is a verdict, not an error
    def __init__(self, reason: Reason, detail: str) -> None:
        super().__init__(reason, detail)
        self.reason, self.detail = reason, detail


@dataclass(frozen=True, slots=True)
class _Base:
    """The base fields in force (section 4.1): each holds until a later record sets it anew."""

    name: str = ""
    time_us: int = 0
    unit: str | None = None
    value: int | float = 0
    has_sum: bool = False


@dataclass(frozen=True, slots=True)
class _Entry:
    """One record, resolved (section 4.6)."""

    name: str
    time_us: int
    value: object
    ucum: str | None


class SenML:
    """``[{"bn": …, "bt": …, "n": …, "u": …, "v": …}, …]``, resolved."""

    name = "senml"
    topics = ("skidhand/+/+/senml",)

    def decode(self, topic: str, payload: bytes) -> Decoded:
        """See :meth:`ingest.formats.base.Format.decode`."""
        decoded = Decoded()
        _, site, skid, _ = topic.split("/")
        pack = parse_json(payload, decoded.refused)
        if pack is None:
            return decoded
        if not isinstance(pack, list) or not pack:
            decoded.refused.add(Reason.BAD_SHAPE, f"{shown(pack)} is no list of one record or more")
        elif beyond := _beyond_us(pack):
            decoded.refused.add(Reason.BAD_SHAPE, beyond, len(pack))
        else:
            entries = _entries(pack, decoded.refused)
            decoded.readings = _readings(entries, site, skid)
            if not entries and not decoded.refused.total:
                decoded.refused.add(Reason.BAD_SHAPE, "there are base fields, and no value")
        return decoded


def _beyond_us(pack: list[object]) -> str:
    """What in the pack asks for more than RFC 8428 (section 4.4); empty when nothing does."""
    for record in pack:
        if isinstance(record, dict):
            version = record.get("bver", VERSION)
            if type(version) is not int or not 0 < version <= VERSION:
                return f"'bver' is {shown(version)}, this program reads 1 to {VERSION}"
            for label in record:
                if label.endswith("_"):
                    return f"field {shown(label)} must be understood, and is not"
    return ""


def _entries(pack: list[object], refused: Tally) -> list[_Entry]:
    base, entries = _Base(), []
    for i, record in enumerate(pack):
        if not isinstance(record, dict):
            refused.add(Reason.BAD_SHAPE, f"{shown(record)} is no record")
            continue
        try:
            base = _rebased(base, record)
        except _Unreadable as verdict:  # what follows depends on it
            refused.add(verdict.reason, verdict.detail, len(pack) - i)
            break
        try:
            entry = _entry(base, record, refused)
        except _Unreadable as verdict:
            refused.add(verdict.reason, verdict.detail)
            continue
        if entry is not None:
            entries.append(entry)
    return entries


def _rebased(base: _Base, record: dict[str, object]) -> _Base:
    """``base`` with what ``record`` sets of it."""
    if BASES.isdisjoint(record):
        return base
    if "bn" in record:
        base = replace(base, name=_text(record, "bn", Reason.BAD_SHAPE))
    if "bt" in record:
        base = replace(base, time_us=_microseconds(record, "bt"))
    if "bu" in record:
        base = replace(base, unit=_text(record, "bu", Reason.BAD_UNIT))
    if "bv" in record:
        base = replace(base, value=_number(record, "bv", Reason.WRONG_TYPE))
    return replace(base, has_sum=True) if "bs" in record else base


def _entry(base: _Base, record: dict[str, object], refused: Tally) -> _Entry | None:
    """The record's value, resolved; None when it only sets base fields or is a sum alone."""
    found = [label for label in VALUES if label in record]
    if not found and record.keys() <= BASES and record:
        return None
    name = base.name + (_text(record, "n", Reason.BAD_SHAPE) if "n" in record else "")
    if "s" in record or (base.has_sum and found):
        refused.add(Reason.WRONG_TYPE, f"the sum of {shown(name)} is not taken, only values are")
    if not found and "s" in record:
        return None
    if len(found) != 1 or not name:
        raise _Unreadable(Reason.BAD_SHAPE, f"a record has one name and one value; {shown(name)} has {found}")
    time_us = base.time_us + (_microseconds(record, "t") if "t" in record else 0)
    if found == ["vb"]:
        if not isinstance(record["vb"], bool):
            raise _Unreadable(Reason.WRONG_TYPE, f"'vb' of {shown(name)} is {shown(record['vb'])}")
        return _Entry(name, time_us, record["vb"], None)  # the base unit is the numbers'
    if found != ["v"]:
        raise _Unreadable(Reason.WRONG_TYPE, f"{shown(name)} is text or data ({found[0]!r}), not a number")
    return _Entry(name, time_us, _value(base, record), _ucum(base, record, name))


def _value(base: _Base, record: dict[str, object]) -> object:
    """Base value + value; what is no number, or overflows, is left for the judge to refuse."""
    value = record["v"]
    if isinstance(value, bool):
        raise _Unreadable(Reason.WRONG_TYPE, "'v' is a number; a boolean is sent as 'vb'")
    if not isinstance(value, int | float) or not base.value:
        return value
    try:
        return base.value + value
    except OverflowError:
        return math.inf


def _ucum(base: _Base, record: dict[str, object], name: str) -> str | None:
    """The UCUM code of the record's unit, which is the base unit where it has none; None without either."""
    unit = _text(record, "u", Reason.BAD_UNIT) if "u" in record else base.unit
    if unit is None:
        return None
    if unit not in UCUM:
        raise _Unreadable(Reason.BAD_UNIT, f"unit {shown(unit)} of {shown(name)} is no SenML unit that is read here")
    return UCUM[unit]


def _readings(entries: list[_Entry], site: str, skid: str) -> list[Reading]:
    """One reading per time; a name that has several values at one time needs as many."""
    short_names = _short_names(entries)
    readings: list[Reading] = []
    at: dict[int, tuple[dict[str, object], dict[str, str]]] = {}
    for entry in entries:
        if entry.time_us not in at or entry.name in at[entry.time_us][0]:
            values, units = at[entry.time_us] = {}, {}
            relative = entry.time_us < RELATIVE_BELOW_US
            readings.append(Reading(site, skid, entry.time_us, values, {}, relative, units, short_names))
        values, units = at[entry.time_us]
        values[entry.name] = entry.value
        if entry.ucum is not None:
            units[entry.name] = entry.ucum
    return readings


def _short_names(entries: list[_Entry]) -> dict[str, str]:
    """Each name's last part, unless two names of the pack share it: then it names neither."""
    last = {name: re.split("[/:]", name)[-1] for name in {entry.name for entry in entries}}
    owners = Counter(last.values())
    return {name: short for name, short in last.items() if short and owners[short] == 1}


def _text(record: dict[str, object], label: str, reason: Reason) -> str:
    value = record[label]
    if not isinstance(value, str):
        raise _Unreadable(reason, f"{label!r} is {shown(value)}, not text")
    return value


def _number(record: dict[str, object], label: str, reason: Reason) -> int | float:
    value = record[label]
    if isinstance(value, bool) or not isinstance(value, int | float) or not -1e300 < value < 1e300:
        raise _Unreadable(reason, f"{label!r} is {shown(value)}, not a finite number")
    return value


def _microseconds(record: dict[str, object], label: str) -> int:
    return round(_number(record, label, Reason.BAD_TIME) * 1_000_000)


PLUGIN: Final = SenML()
