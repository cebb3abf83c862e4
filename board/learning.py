"""What of a skid is not watched yet, or not now, in the viewer's words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from board import when
from board.render import unit as unit_label
from board.words import Words
from skidhand.model.watched import Learning, NotWatched, Watched

WHOLE: Final = "skid"
"""The unit that is the skid as a whole, as fleet files call it."""


@dataclass(frozen=True, slots=True)
class Told:
    """One line: the ``unit`` in words, why and how far, what is not told meanwhile, the earliest end."""

    unit: str
    text: str
    kinds: tuple[str, ...]
    since: str
    until: str


def told(watched: Watched | None, now: datetime, zone: ZoneInfo, t: Words) -> list[Told]:
    """Every line of a skid; none when all is watched, or analysis has not begun."""
    return list(_lines(watched, now, zone, t)) if watched is not None else []


def brief(watched: Watched | None, t: Words) -> str:
    """All in one phrase for the fleet page: what is learnt, and the one that is least far; empty when nothing is."""
    if watched is None or not watched.blind:
        return ""
    least = min(watched.blind, key=lambda one: one.done / one.of)
    units = ", ".join(dict.fromkeys(whole(one.unit, t) for one in watched.blind if one.unit))
    return t("learn.brief", units=units, why=reason(least, t), far=far(least, t))


def reason(one: Learning, t: Words) -> str:
    """Why it is learnt anew."""
    return t(f"learn.{one.why}", what=t.said(one.what))


def whole(unit: str, t: Words) -> str:
    """A unit as it is spoken of: the whole skid where it is no part of it."""
    return t("learn.whole") if unit in ("", WHOLE) else unit


def far(one: Learning, t: Words) -> str:
    """How far it is."""
    return t(f"learn.{one.measure}", done=when.figure(one.done), of=when.figure(one.of))


def not_now(one: NotWatched, t: Words) -> str:
    """Why a skid is not watched now."""
    return t("learn.low-flow", flow=when.figure(one.flow), least=when.figure(one.least), unit=unit_label(one.unit))


def _lines(watched: Watched, now: datetime, zone: ZoneInfo, t: Words) -> Iterator[Told]:
    if watched.not_watched is not None:
        since = when.stamp(watched.not_watched.since, now, zone, t)
        yield Told(whole("", t), not_now(watched.not_watched, t), (), since, "")
    for group in watched.groups:
        end = "" if group.not_before is None else when.stamp(group.not_before, now, zone, t)
        kinds = tuple(t.kind(kind) for kind in group.kinds)
        text = f"{reason(group.least, t)}; {far(group.least, t)}"
        yield Told(whole(group.unit, t), text, kinds, when.stamp(group.since, now, zone, t), end)
