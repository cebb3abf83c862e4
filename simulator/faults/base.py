"""What a fault or look-alike is, as data; each changes the physics, an instrument or the carrier."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from simulator.plant.conditions import Conditions
from skidhand.fleet import Unit

if TYPE_CHECKING:
    from simulator.plant.train import Train

Strikes = Literal["plant", "instrument", "carrier"]
Shape = Literal["step", "ramp", "stairs"]
Change = Callable[[Conditions, float, float], None]
"""(conditions, strength now 0 to 1, hours the event lasts) → conditions are changed in place."""
Shows = Callable[["Train", str], bool]
"""(train, unit id) → the fault can be seen by now."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault or look-alike.

    ``kind`` and ``cause`` are what a finding about it should say, None for what must raise none.
    An engineer could first know ``visible_minutes`` after it changed anything and ``visible_share`` of its
    duration is over; it is
    too late after ``late_share`` and ``late_minutes``. Its signs last ``aftermath_hours`` beyond its end.
    ``also`` are findings that it would be right to make beside the one that must be made. ``shows`` dates the
    onset where that depends on the plant; without it a fault begins with its event.
    """

    name: str
    about: str
    strikes: Strikes
    unit_type: str | None = None
    told_on: str | None = None  # type of the unit that a finding names, where that is another one
    holds: str | None = None  # of the tank that it strikes
    local: bool = False  # strikes one unit where the skid has several of its type
    several: bool = False  # needs at least two units of its type
    measures: str | None = None  # UCUM code like that of the only instruments it can strike
    totals: bool = False  # strikes meters' own totals, and nothing else
    kind: str | None = None
    cause: str | None = None
    also: tuple[tuple[str, str | None], ...] = ()
    lookalike: bool = False
    required: bool = True
    shape: Shape = "step"
    rise_hours: float = 0.0  # a step takes so long to come, and to go
    change: Change | None = None
    visible_share: float = 0.0
    visible_minutes: float = 5.0
    late_share: float = 1.0
    late_minutes: float = 0.0
    aftermath_hours: float = 0.0
    shows: Shows | None = None

    def fits(self, unit: Unit) -> bool:
        """Whether it can strike this unit."""
        if unit.type != self.unit_type:
            return False
        return self.holds is None or (unit.holds or "treated-water") == self.holds


FAULTS: Final[dict[str, Fault]] = {}


def register(fault: Fault) -> Fault:
    """Add a fault to FAULTS; ValueError if the name is taken."""
    if fault.name in FAULTS:
        raise ValueError(f"two faults are called {fault.name!r}")
    FAULTS[fault.name] = fault
    return fault


def cuts(field: str, share: float) -> Change:
    """Takes ``share`` × strength off a factor, down to 0."""

    def change(now: Conditions, strong: float, hours: float) -> None:
        del hours
        setattr(now, field, getattr(now, field) * max(0.0, 1.0 - share * strong))

    return change


def raises(field: str, share: float) -> Change:
    """Raises a factor by ``share`` × strength."""
    return cuts(field, -share)


def adds(field: str, amount: float, most: float = float("inf")) -> Change:
    """Adds ``amount`` × strength to a shift, up to ``most``."""

    def change(now: Conditions, strong: float, hours: float) -> None:
        del hours
        setattr(now, field, min(most, getattr(now, field) + amount * strong))

    return change


def switches(field: str, value: object = True) -> Change:
    """Puts a field to ``value`` while the fault acts at all."""

    def change(now: Conditions, strong: float, hours: float) -> None:
        del strong, hours
        setattr(now, field, value)

    return change


def together(*changes: Change) -> Change:
    """All of the ``changes``."""

    def change(now: Conditions, strong: float, hours: float) -> None:
        for each in changes:
            each(now, strong, hours)

    return change


def strength(fault: Fault, elapsed: float, hours: float, severity: float, stairs: tuple[float, ...]) -> float:
    """How strongly the fault acts ``elapsed`` hours after its onset: 0 to ``severity``.

    ``stairs`` are the shares of the duration at which a stair is taken (for shape ``stairs``).
    """
    if elapsed < 0 or elapsed >= hours + (fault.rise_hours if fault.shape == "step" else 0.0):
        return 0.0
    share = elapsed / hours
    match fault.shape:
        case "ramp":
            return severity * share
        case "stairs":
            return severity * sum(share >= stair for stair in stairs) / len(stairs)
        case "step":
            if fault.rise_hours == 0.0:
                return severity
            rising = min(1.0, elapsed / fault.rise_hours)
            falling = 1.0 - max(0.0, elapsed - hours) / fault.rise_hours
            return severity * min(rising, falling)
