"""A condition that lasts: said once it has held for a while, and taken back once it has been gone for a while.

On-delay and off-delay in the sense of OPC 10000-9 (alarms and conditions): minutes in which neither the condition nor
its absence is known (a gap, a stop) delay both and decide nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from analytics.detectors.base import Draft, State
from analytics.frame import I64, Mask
from skidhand.fleet import SkidView, UnitView

Say = Callable[[int, int], Draft]
"""(position in the block, onset) → what is said there."""

Again = Callable[[int, Draft], Draft | None]
"""(position, what was said last) → what is to be said anew, if anything."""


class Episode(BaseModel):
    """``since``: first minute of a condition not yet said; ``quiet``: first minute without one that is."""

    model_config = ConfigDict(extra="forbid")

    since: int | None = None
    quiet: int | None = None
    told: Draft | None = None


def watch(
    minutes: I64,
    on: Mask,
    off: Mask,
    episode: Episode,
    *,
    after: int,
    until: int,
    say: Say,
    again: Again | None = None,
) -> tuple[Episode, list[Draft]]:
    """The episode after these minutes, and what there is to say: opened, said anew, ended.

    Opens in the minute in which ``on`` has held ``after`` minutes with no ``off`` between; ends where ``off`` began
    that has stood ``until`` minutes with no ``on`` between.
    """
    if episode.since is None and episode.told is None and not on.any():
        return episode, []
    since, quiet, told = episode.since, episode.quiet, episode.told
    drafts = list[Draft]()
    for i, (minute, holds, gone) in enumerate(zip(minutes.tolist(), on.tolist(), off.tolist(), strict=True)):
        if told is None:
            since = None if gone else minute if since is None and holds else since
            if holds and since is not None and minute - since + 1 >= after:
                told = say(i, since)
                drafts.append(told)
                since, quiet = None, None
            continue
        quiet = None if holds else minute if quiet is None and gone else quiet
        if gone and quiet is not None and minute - quiet + 1 >= until:
            drafts.append(replace(told, minute=minute, ended=max(quiet, told.onset), forecast=None))
            told = quiet = None
        elif again is not None and (fresh := again(i, told)) is not None:
            told = fresh
            drafts.append(fresh)
    return Episode(since=since, quiet=quiet, told=told), drafts


def ordered(drafts: list[Draft]) -> list[Draft]:
    """By minute; of one minute in the order in which they were said."""
    return sorted(drafts, key=lambda draft: draft.minute)


class Episodes(State):
    """State of a detector that remembers nothing but episodes, by any name it likes."""

    by: dict[str, Episode] = Field(default_factory=dict)


def own_roles(unit: UnitView, skid: SkidView) -> list[str]:
    """Roles of ``unit`` whose tag no earlier unit has: a tag that several units share is the first one's."""
    earlier = set[str]()
    for other in skid.units:
        if other.id == unit.id:
            break
        earlier.update(other.tags.values())
    return [role for role, tag in unit.tags.items() if tag not in earlier]


def never(minutes: I64) -> Mask:
    """False in every minute."""
    return np.zeros(len(minutes), dtype=np.bool_)
