"""What of a skid is watched at the moment and what is not yet or not now; analytics writes it, everybody reads it."""

from __future__ import annotations

from datetime import datetime
from typing import Literal, NamedTuple

from pydantic import AwareDatetime, Field

from skidhand.model.finding import Shape

Why = Literal["placement", "part", "instrument", "failure"]


class Learning(Shape):
    """What is still learnt of one unit by one detector, so that these ``kinds`` are not told yet, or less surely.

    ``why``: another ``placement``, a renewed ``part``, an ``instrument`` that was adjusted, cleaned or changed, or a
    ``failure`` of the detector, which the log tells; ``what``: which part, tag or detector. ``done`` of ``of``, in
    hours in service or in runs between two washes. ``not_before``: the earliest end, if the skid runs all the time;
    None where runs are counted.
    """

    unit: str
    detector: str
    kinds: tuple[str, ...]
    why: Why
    what: str = ""
    since: AwareDatetime
    done: float = Field(ge=0)
    of: float = Field(gt=0)
    measure: Literal["h", "runs"]
    not_before: AwareDatetime | None = None

    @property
    def reason(self) -> str:
        """Why, in words."""
        if self.why == "part":
            return f"new {self.what}"
        if self.why == "failure":
            return f"{self.what} failed and begins anew, see the log"
        return "new on this pad" if self.why == "placement" else f"{self.what} adjusted, cleaned or changed"

    @property
    def far(self) -> str:
        """How far, in words."""
        measure = "h in service" if self.measure == "h" else "runs"
        return f"{self.done:.3g} of {self.of:.3g} {measure}"


class NotWatched(Shape):
    """Since when the skid takes less than ``least``, in which nothing is judged but limits, stops, tanks and data.

    ``flow`` as read last; both in ``unit`` (UCUM code).
    """

    since: AwareDatetime
    flow: float
    least: float
    unit: str

    @property
    def reason(self) -> str:
        """Why, in words."""
        return f"not watched now: flow {self.flow:.3g} is below {self.least:.3g} {self.unit}"


class Line(NamedTuple):
    """For lists: the unit (none: the skid), since when, the earliest end if it is known, and the words."""

    unit: str
    since: datetime
    not_before: datetime | None
    words: str


class Group(NamedTuple):
    """What is learnt of one ``unit`` for one reason, all detectors together; ``least`` is the one that is least far."""

    unit: str
    since: datetime
    kinds: tuple[str, ...]
    least: Learning
    not_before: datetime | None


class Watched(Shape):
    """One skid as of ``at``, the end of what analytics has worked in."""

    v: Literal[1] = 1
    skid: str
    at: AwareDatetime
    learning: tuple[Learning, ...] = ()
    not_watched: NotWatched | None = None

    @property
    def blind(self) -> list[Learning]:
        """What is learnt of kinds that have a name; what has none is only looked for where all else is known."""
        return [one for one in self.learning if set(one.kinds) - {"unusual-pattern"}]

    @property
    def lines(self) -> list[Line]:
        """What is not or not yet watched, a line for each unit and reason."""
        found = []
        if self.not_watched is not None:
            found.append(Line("", self.not_watched.since, None, self.not_watched.reason))
        for group in self.groups:
            words = f"learning, {group.least.reason}: {', '.join(group.kinds)}; {group.least.far}"
            found.append(Line(group.unit, group.since, group.not_before, words))
        return found

    @property
    def groups(self) -> list[Group]:
        """What is learnt still, a group for each unit, reason and beginning."""
        found: dict[tuple[str, str, datetime], list[Learning]] = {}
        for one in self.learning:
            found.setdefault((one.unit, one.reason, one.since), []).append(one)
        return [_group(unit, since, many) for (unit, _, since), many in found.items()]


def _group(unit: str, since: datetime, many: list[Learning]) -> Group:
    kinds = tuple(sorted({kind for one in many for kind in one.kinds}))
    ends = [one.not_before for one in many if one.not_before is not None]
    least = min(many, key=lambda one: one.done / one.of)
    return Group(unit, since, kinds, least, max(ends) if len(ends) == len(many) else None)
