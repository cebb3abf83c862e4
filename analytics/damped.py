"""Is a pressure quieter than it was, while its partners are as restless as ever? A plugged impulse line damps. Pure.

Turbulence reaches a transmitter through its impulse line; deposit in the line lets the mean pressure creep through and
swallows the rest (common practice, no source). A stop is the proof: a line that is free lets the reading fall at once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict

# Common practice, no source.
LEARN: Final = 24  # parts (12 h of service) whose median is usual
QUIET: Final = 0.5  # of the usual scatter, below which it is damped
STILL: Final = 0.05  # below which it stands still: frozen, or held by the transmitter
FREE: Final = 0.7  # of the usual scatter, from which it counts as before; partners must have as much
AS_HIGH: Final = (0.7, 1.4)  # times the learnt reading: what has fallen far may scatter less for that alone
IN_A_ROW: Final = 4  # parts, to open
AGAIN: Final = 2  # parts, to close
FALLS: Final = 0.3  # of the reading in service that is left after a stop where the line is free
STAYS: Final = 0.7  # of it that a plugged one still shows
RESOLVED: Final = 5e-4  # of the range, scatter below which steps of the signal are most of it


class Damping(BaseModel):
    """Memory of one reading: scatter within minutes and height, in the role's unit."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    learning: tuple[tuple[float, float], ...] = ()
    scatter: float | None = None
    height: float | None = None
    hidden: bool = False  # the signal's steps hide what it scatters: never judged
    quiet: int = 0
    free: int = 0
    damped: bool = False
    proven: bool = False  # since it is damped: said once, not at every stop
    fell: bool = False  # at a stop while damped: it is no plugged line, until it scatters again


@dataclass(frozen=True, slots=True)
class Word:
    """What changed: ``role`` is damped, is free again, or was seen to stay up (``proven``) at a stop."""

    role: str
    what: Literal["damped", "proven", "free"]
    times: float = 0.0  # scatter by the usual
    partners: float = 0.0  # the partners' median of it


def learn(known: Damping, scatter: float, height: float, least: float) -> Damping:
    """One part more; a scatter below ``least`` is hidden by the signal's steps."""
    learning = (*known.learning, (scatter, height))
    if len(learning) < LEARN:
        return known.model_copy(update={"learning": learning})
    usual = median(s for s, _ in learning)
    if usual < least:
        return Damping(hidden=True)
    return Damping(scatter=usual, height=median(h for _, h in learning))


def judge(
    pressures: Sequence[str],
    now: Mapping[str, tuple[float, float]],
    known: dict[str, Damping],
    least: Mapping[str, float],
) -> list[Word]:
    """One part of all readings of a unit: (scatter, height) by role. ``known`` is brought up to date."""
    times: dict[str, float] = {}
    for role, (scatter, height) in now.items():
        one = known.get(role, Damping())
        if one.scatter is None:
            known[role] = one if one.hidden else learn(one, scatter, height, least[role])
        else:
            times[role] = scatter / one.scatter
    words = []
    for role in pressures:
        partners = [t for other, t in times.items() if other != role]
        if role in times and partners:
            known[role], said = _watch(role, known[role], times[role], now[role][1], median(partners))
            words += said
    return words


def at_stop(pressures: Sequence[str], now: Mapping[str, float], known: dict[str, Damping]) -> list[Word]:
    """Readings some minutes after the skid stopped: which of the damped ones fell, and which stayed up."""
    left = {r: v / h for r, v in now.items() if (h := known.get(r, Damping()).height)}
    words = []
    for role in pressures:
        one = known.get(role, Damping())
        if role not in left or not (one.damped or one.quiet):
            continue
        if left[role] < FALLS:
            known[role] = one.model_copy(update={"fell": True, "damped": False, "quiet": 0, "free": 0})
            words += [Word(role, "free")] if one.damped else []
        elif one.damped and not one.proven and left[role] > STAYS and _another_fell(role, left):
            known[role] = one.model_copy(update={"proven": True})
            words.append(Word(role, "proven"))
    return words


def _another_fell(role: str, left: Mapping[str, float]) -> bool:
    return any(share < FALLS for other, share in left.items() if other != role)


def _watch(role: str, one: Damping, times: float, height: float, partners: float) -> tuple[Damping, list[Word]]:
    assert one.height is not None
    high = AS_HIGH[0] * one.height <= height <= AS_HIGH[1] * one.height
    quiet = one.quiet + 1 if STILL < times < QUIET and high and partners > FREE and not one.fell else 0
    free = one.free + 1 if times > FREE else 0
    changed = {"quiet": quiet, "free": free, "fell": one.fell and free < AGAIN}
    if not one.damped and quiet >= IN_A_ROW:
        changed |= {"damped": True, "proven": False}
        return one.model_copy(update=changed), [Word(role, "damped", times, partners)]
    if one.damped and free >= AGAIN:
        return one.model_copy(update={**changed, "damped": False}), [Word(role, "free")]
    return one.model_copy(update=changed), []
