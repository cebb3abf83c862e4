"""Times on the wire: RFC 3339 text or epoch milliseconds, to microseconds since the Unix epoch.

RFC 3339, Date and Time on the Internet: Timestamps (2002), section 5.6 grammar, 5.7 restrictions.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime
from typing import Final

from skidhand.model.samples import micros

_RFC3339: Final = re.compile(
    # The section's note allows lower case letters, and a space for the T.
    r"(\d{4})-(\d\d)-(\d\d)[Tt ]([01]\d|2[0-3]):([0-5]\d):([0-5]\d|60)(?:\.(\d{1,64}))?"
    r"(?:[Zz]|([+-])([01]\d|2[0-3]):([0-5]\d))",
    re.ASCII,
)
_MINUTE_US: Final = 60_000_000
_DAY_US: Final = 86_400_000_000


def wire_time(value: object) -> int:
    """Microseconds since the Unix epoch; ValueError with what was wrong.

    Text without an offset is refused: its meaning would be a guess. Digits beyond the microsecond are
    cut. A leap second (only ever 23:59:60 UTC at the end of a month) becomes that minute's last
    microsecond, for the epoch scale has no place of its own for it.
    """
    if isinstance(value, str):
        return _from_text(value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("a time is RFC 3339 text or a number of epoch milliseconds")
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError("a time is a finite number")
    return value * 1000 if isinstance(value, int) else round(value * 1000) if abs(value) < 1e18 else int(value)


def _from_text(text: str) -> int:
    found = _RFC3339.fullmatch(text)
    if found is None:
        raise ValueError("not RFC 3339 with an offset, such as 2026-03-01T12:00:00Z")
    year, month, day, hour, minute, second, fraction, sign, off_hour, off_minute = found.groups()
    leap = second == "60"
    whole = datetime(int(year), int(month), int(day), int(hour), int(minute), 59 if leap else int(second), tzinfo=UTC)
    us = micros(whole)
    if sign:
        offset = (int(off_hour) * 60 + int(off_minute)) * _MINUTE_US
        us += -offset if sign == "+" else offset
    if leap:
        return _leap(us)
    return us + (int(fraction[:6].ljust(6, "0")) if fraction else 0)


def _leap(us: int) -> int:
    """The last microsecond of the minute whose second 59 begins at ``us``, if a leap second can stand there."""
    following = us + 1_000_000
    if following % _DAY_US or datetime.fromtimestamp(following // 1_000_000, UTC).day != 1:
        raise ValueError("a leap second stands only at 23:59:60 UTC on the last day of a month")
    return us + 999_999
