"""Judges readings against the fleet: what is taken, what is refused and why.

A reading passes through STAGES in order; each is a plain function of a :class:`Case`. A stage takes
single values away with a reason, or raises :class:`Refused` for the whole reading. No stage changes a
value: doubt goes into the quality beside it. What can be judged for a whole batch at once is (:mod:`ingest.bench`).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from ingest.columns import Ints
from ingest.doubts import Doubt
from ingest.formats.base import Reading
from ingest.lookup import Asset, Lookup
from ingest.reasons import Reason, Tally, shown
from skidhand.model.quality import BAD, MAX_STATUS, UNCERTAIN, is_bad, is_good
from skidhand.model.samples import moment
from skidhand.units import UnitError, convert

EARLIEST_US: Final = 946_684_800_000_000  # 2000-01-01
LATEST_US: Final = 4_102_444_800_000_000  # 2100-01-01
DAY_US: Final = 86_400_000_000
AHEAD_US: Final = 60_000_000
"""How far a source time may lie ahead of its receipt before it is in doubt (common practice, no source)."""

AMBIGUOUS: Final = frozenset({"[ppm]", "[ppb]", "[pptr]", "[ppth]"})
"""Parts per something, by mass or by volume: in salty water the two differ by its density."""

_ID: Final = re.compile(r"[a-z0-9][a-z0-9-]{0,31}")
_TAG: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
NO_CODES: Final = np.array([], dtype=np.int64)
_NUMBERS: Final = frozenset({float, int, bool})


class Refused(Exception):  # noqa: N818 - it is a verdict, not an error
    """The whole reading is refused."""

    def __init__(self, reason: Reason, detail: str) -> None:
        super().__init__(reason, detail)
        self.reason, self.detail = reason, detail


@dataclass(slots=True)
class Case:
    """One reading on its way. The four lists run side by side."""

    reading: Reading
    lookup: Lookup
    received_us: int
    own_time: bool  # the publisher's announced time is the only clock there is (replay)
    refused: Tally
    clock_jumped: bool = False
    doubt: Doubt | None = None  # of the reading's time
    names: tuple[str, ...] = ()
    values: list[object] = field(default_factory=list)
    quality: list[int] = field(default_factory=list)
    codes: Ints = field(default_factory=lambda: NO_CODES)

    def asset(self) -> Asset:
        """The skid that the reading names; only after :func:`skid_is_known`."""
        return self.lookup.assets[self.reading.skid]

    def keep(self, indices: Sequence[int]) -> None:
        """Go on with the values at ``indices`` alone."""
        self.names = tuple(self.names[i] for i in indices)
        self.values = [self.values[i] for i in indices]
        self.quality = [self.quality[i] for i in indices]
        self.codes = self.codes[list(indices)] if len(self.codes) else NO_CODES


def site_is_known(case: Case) -> None:
    """The topic's site stands in the fleet."""
    site = case.reading.site
    if site not in case.lookup.sites:
        if _ID.fullmatch(site) is None:
            raise Refused(Reason.BAD_ID, f"site {shown(site)}")
        raise Refused(Reason.UNKNOWN_SITE, f"no site {shown(site)} in the fleet")


def skid_is_known(case: Case) -> None:
    """The topic's skid stands in the fleet."""
    skid = case.reading.skid
    if skid not in case.lookup.assets:
        if _ID.fullmatch(skid) is None:
            raise Refused(Reason.BAD_ID, f"skid {shown(skid)}")
        raise Refused(Reason.UNKNOWN_SKID, f"no skid {shown(skid)} in the fleet")


def time_is_possible(case: Case) -> None:
    """The source time lies in [2000, receipt + 1 day]; one ahead of its receipt, or by a wrong clock, is in doubt.

    In a replay the recording's time is the clock, so only the calendar's own limits hold.
    """
    time_us, received_us = case.reading.time_us, case.received_us
    latest = LATEST_US - 1 if case.own_time else received_us + DAY_US
    if not EARLIEST_US <= time_us <= latest:
        raise Refused(Reason.TIME_OUT_OF_RANGE, f"time {_told(time_us)}, received {_told(received_us)}")
    ahead = time_us > received_us + AHEAD_US
    if not case.own_time and (ahead or case.clock_jumped):
        case.doubt = Doubt.FUTURE_TIME if ahead else Doubt.CLOCK_JUMP
        case.quality = [UNCERTAIN] * len(case.values)


def skid_stood_there(case: Case) -> None:
    """The skid stood at the topic's site at the source time."""
    stood = case.asset().site_at(case.reading.time_us)
    if stood != case.reading.site:
        place = f"stood at {stood}" if stood else "stood nowhere"
        detail = f"{case.reading.skid} {place} at {_told(case.reading.time_us)}, not at {case.reading.site}"
        raise Refused(Reason.SITE_MISMATCH, detail)


def statuses_are_codes(case: Case) -> None:
    """Each status is a StatusCode of a value that is there; it becomes the quality if it is the worse."""
    status = case.reading.status
    if not status:
        return
    strays = [name for name in status if name not in case.reading.values]
    if strays:
        case.refused.add(Reason.BAD_STATUS, f"status of {shown(strays[0])}, which has no value", len(strays))
    good = []
    for i, name in enumerate(case.names):
        code = status.get(name, 0)
        if type(code) is not int or not 0 <= code <= MAX_STATUS:
            case.refused.add(Reason.BAD_STATUS, f"status of {shown(name)} is {shown(code)}")
            continue
        if not is_good(code) or is_good(case.quality[i]):
            case.quality[i] = code
        good.append(i)
    if len(good) < len(case.names):
        case.keep(good)


def values_are_numbers(case: Case) -> None:
    """Numbers and booleans pass; null passes as Bad; text, lists, NaN and infinities are refused."""
    if _NUMBERS.issuperset(map(type, case.values)) and _all_finite(case.values):
        return
    good = []
    for i, value in enumerate(case.values):
        if value is None:
            case.quality[i] = case.quality[i] if is_bad(case.quality[i]) else BAD
        elif not isinstance(value, float | int):
            case.refused.add(Reason.WRONG_TYPE, f"{shown(case.names[i])} is {shown(value)}")
            continue
        elif not _all_finite((value,)):
            case.refused.add(Reason.NOT_A_NUMBER, f"{shown(case.names[i])} is {shown(value)}")
            continue
        good.append(i)
    if len(good) < len(case.values):
        case.keep(good)


def tags_are_known(case: Case) -> None:
    """Each name, or its short form, is a tag or an alias of the skid; gives the series codes."""
    if (codes := case.asset().all_codes(case.names)) is not None:
        case.codes = codes
        return
    known, short = case.asset().codes, case.reading.short_names or {}
    found = [known.get(name, known.get(short.get(name, name))) for name in case.names]
    for name, code in zip(case.names, found, strict=True):
        if code is None:
            is_tag = _TAG.fullmatch(short.get(name, name)) is not None
            reason = Reason.UNKNOWN_TAG if is_tag else Reason.BAD_ID
            case.refused.add(reason, f"{case.reading.skid} has no tag {shown(name)}")
    case.keep([i for i, code in enumerate(found) if code is not None])
    case.codes = np.array([code for code in found if code is not None], dtype=np.int64)


def values_have_the_declared_unit(case: Case) -> None:
    """A number that came with a unit is turned into the declared one; refused where the two do not fit."""
    units = case.reading.units
    if not units:
        return
    good = []
    for i, (name, code) in enumerate(zip(case.names, case.codes.tolist(), strict=True)):
        value, declared = case.values[i], case.lookup.units[code]
        source = units.get(name, declared)
        if source in AMBIGUOUS and code in case.lookup.no_ppm:
            detail = (
                f"{shown(name)}: {source} by mass or by volume? The fleet file gives no 'basis', and the water is salty"
            )
            case.refused.add(Reason.AMBIGUOUS_UNIT, detail)
            continue
        if source != declared and value is not None:
            assert isinstance(value, float | int)  # see values_are_numbers
            try:
                value = convert(value, source, declared)
            except UnitError as error:
                case.refused.add(Reason.BAD_UNIT, f"{shown(name)}: {error}")
                continue
            if not math.isfinite(value):
                case.refused.add(Reason.NOT_A_NUMBER, f"{shown(name)} overflows in {declared}")
                continue
            case.values[i] = value
        good.append(i)
    if len(good) < len(case.names):
        case.keep(good)


STAGES: Final[tuple[Callable[[Case], None], ...]] = (
    site_is_known,
    skid_is_known,
    time_is_possible,
    skid_stood_there,
    statuses_are_codes,
    values_are_numbers,
    tags_are_known,
    values_have_the_declared_unit,
)


def _all_finite(values: Sequence[object]) -> bool:
    """True when every number is finite: a sum carries NaN and infinities on, and is far faster than a loop."""
    try:
        if math.isfinite(math.fsum(values)):  # type: ignore[arg-type]  # the caller saw to the types
            return True
    except (OverflowError, ValueError):
        pass  # an integer too large for a float, inf − inf, or a sum of great numbers: look at each
    try:
        return all(math.isfinite(value) for value in values)  # type: ignore[arg-type]
    except OverflowError:
        return False


def _told(time_us: int) -> str:
    try:
        return moment(time_us).isoformat()
    except (ValueError, OverflowError, OSError):
        return f"{shown(time_us)} µs"
