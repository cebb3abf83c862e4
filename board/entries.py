"""The logbook's entries in words: kinds, fields and choices, and a figure beside its unit as people write it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from board import when
from board.render import unit as unit_label
from board.words import Words
from skidhand.model.entry import Entry
from skidhand.model.entry_kinds import KINDS, fields_of

IN_UNIT: Final = ("value", "amount", "dose", "reference", "as_found", "as_left")
"""Fields whose figure is in the entry's own ``unit``."""

UNSAID: Final = ("unit", "handover")  # a unit stands behind its figure; which handover was taken, an id says
FIXED: Final = {"dose_rate": "µSv/h", "background": "µSv/h", "hours": "h"}
LEFT: Final = {"oil": "mg/L", "turbidity": "NTU"}  # of a jar test

UNITS: Final = {
    "lab": ("mg/L", "[ppm]", "{NTU}", "[pH]", "mS/cm", "uS/cm", "kg/m3"),
    "calibration": ("mg/L", "{NTU}", "[psi]", "kPa", "bar", "[gal_us]/min", "m3/h", "Cel", "[degF]", "m", "%"),
}
"""What a form offers where any unit will do; another is written as its UCUM code."""


def kind(entry: Entry, t: Words) -> str:
    """What kind of entry it is."""
    return t(f"kind.{entry.kind}") if entry.kind in KINDS else t.said(entry.kind.replace("-", " "))


def line(entry: Entry, t: Words) -> str:
    """Its text and data in one line."""
    told = [f"{name} {value}".strip() for name, value in data(entry, t)]
    return "; ".join([*([entry.text] if entry.text else []), *told])


def data(entry: Entry, t: Words) -> Iterator[tuple[str, str]]:
    """(label, value in words) of each field that says something; the unit stands behind its figure."""
    for name, value in entry.data.items():
        if value is None or value is False or value == "" or name in UNSAID:  # 0 equals False and is a figure
            continue
        label = field(name, t)
        if value is True:
            yield label, ""
        elif isinstance(value, (int, float)):
            yield label, f"{when.figure(value)} {_unit(entry, name)}".strip()
        elif name in _chosen(entry.kind):
            yield label, choice(value, t)
        else:
            yield label, value


def field(name: str, t: Words) -> str:
    """What a field is called."""
    key = f"field.{name}"
    return t(key) if key in t.texts else t.said(name.replace("_", " "))


def choice(value: str, t: Words) -> str:
    """A choice of a form in words: a unit by its short name."""
    shown = unit_label(value)
    return shown if shown != value else t.said(value.replace("-", " "))


def form(kind: str, t: Words) -> list[dict[str, Any]]:
    """The fields of a kind's form with label, remark and choices as (value, words)."""
    made = []
    for one in fields_of(kind):
        unit = one["name"] == "unit"
        remark = (t("log.own-unit") if kind == "calibration" else "") if unit else t.said(one["remark"])
        choices = [(value, choice(value, t)) for value in one["choices"]]
        offered = [unit_label(code) for code in UNITS.get(kind, ())] if unit else []
        made.append({**one, "label": field(one["name"], t), "remark": remark, "choices": choices, "offered": offered})
    return made


def code_of(kind: str, unit: str) -> str:
    """The UCUM code of a unit as people write it, as given where it is none of those that the form offers."""
    return next((code for code in UNITS.get(kind, ()) if unit_label(code) == unit.strip()), unit)


def _unit(entry: Entry, name: str) -> str:
    if name in IN_UNIT:
        return unit_label(str(entry.data.get("unit") or ""))
    if name in FIXED:
        return FIXED[name]
    return LEFT.get(name, "") if entry.kind == "jar-test" else ""


def _chosen(kind: str) -> set[str]:
    return {one["name"] for one in fields_of(kind) if one["choices"]} if kind in KINDS else set()
