"""Tanks in words: how full, and how long until they are full or empty as things go."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from analytics.tanks import Tank
from board import sentences, when
from board.attention import Matter
from board.render import unit as unit_label
from board.words import Words
from skidhand.fleet import Fleet

SOON: Final = timedelta(hours=4)
"""Time left from which a tank stands out, as its detector speaks of it (docs/detectors/tank_level.md)."""

EMPTIED: Final = ("oil", "waste", "sludge")  # tanks that a truck empties, to everybody's content
OLD: Final = timedelta(minutes=20)


@dataclass(frozen=True, slots=True)
class Gauge:
    """One tank as it is printed. ``why``, ``since`` and ``event``: the worst matter with it, if any; ``word``
    and ``level_of``: its state and mark; ``more``: that there are others."""

    place: str
    unit: str
    holds: str
    level: str
    share: str
    left: str
    soon: bool
    aside: str
    why: str = ""
    since: str = ""
    word: str = ""
    more: str = ""
    event: str = ""
    level_of: str = ""


def gauge(tank: Tank, fleet: Fleet, now: datetime, t: Words, matters: Sequence[Matter] = ()) -> Gauge:
    """One tank in words."""
    worst = matters[0].finding if matters else None
    zone = when.zone_of(fleet, worst.site if worst else None)
    level = t("tank.unread") if tank.level is None else f"{when.figure(tank.level)} {unit_label(tank.code)}"
    old = tank.read is not None and now - tank.read > OLD
    return Gauge(
        place=_name(fleet, tank.place),
        unit=tank.unit,
        holds=t(f"holds.{tank.holds}") if tank.holds else "",
        level=level,
        share="" if tank.share is None else t("tank.share", share=f"{100 * tank.share:.0f}"),
        left="" if worst is not None and worst.forecast is not None else _left(tank, t, old=old),
        soon=tank.left is not None and tank.left <= SOON and not (tank.end == "empty" and tank.holds in EMPTIED),
        aside=t("tank.old", span=when.span(now - tank.read, t)) if old and tank.read is not None else "",
        why="" if worst is None else sentences.told(worst, t),
        since="" if worst is None else sentences.since_of(worst, zone, now, t),
        word=t(f"state.{matters[0].state}") if matters else "",
        more=t("line.more", n=len(matters) - 1) if len(matters) > 1 else "",
        event="" if worst is None else str(worst.id),
        level_of="" if worst is None else worst.severity,
    )


def _left(tank: Tank, t: Words, *, old: bool) -> str:
    if tank.level is None:
        return ""
    if tank.end is None or tank.left is None:
        return t("tank.still")
    if not tank.left:
        return t(f"tank.{tank.end}-{'perhaps' if old else 'now'}")
    return t(f"tank.{tank.end}", span=when.span(tank.left, t))


def _name(fleet: Fleet, place: str) -> str:
    skid = fleet.skid(place)
    return skid.name if skid else next((site.name for site in fleet.sites if site.id == place), place)
