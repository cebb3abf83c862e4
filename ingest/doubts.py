"""Why a sample that was taken is not Good: a closed list, counted by reason. The value itself is never altered."""

from __future__ import annotations

from collections import Counter
from enum import StrEnum
from typing import Final

import numpy as np
import numpy.typing as npt

from skidhand.model.quality import SEVERITY_SHIFT


class Doubt(StrEnum):
    """Every reason for a worse status than the sender gave. What each means stands in MEANING."""

    FUTURE_TIME = "future-time"
    CLOCK_JUMP = "clock-jump"
    SIGNAL_FAILED = "signal-failed"
    SIGNAL_LIMITED = "signal-limited"
    OUT_OF_RANGE = "out-of-range"
    GROSS_RANGE = "gross-range"
    RATE_OF_CHANGE = "rate-of-change"
    SPIKE = "spike"
    FLAT_LINE = "flat-line"


MEANING: Final[dict[Doubt, str]] = {
    Doubt.FUTURE_TIME: "the time lies more than 60 s ahead of its receipt",
    Doubt.CLOCK_JUMP: "the sender's clock has stepped away from ours, by a steady amount of more than 60 s",
    Doubt.SIGNAL_FAILED: "4-20 mA: at or below 3.6 mA, or at or above 21 mA (NAMUR NE 43: failure)",
    Doubt.SIGNAL_LIMITED: "4-20 mA: between 3.6 and 3.8 mA, or 20.5 and 21 mA (NAMUR NE 43: no measurement)",
    Doubt.OUT_OF_RANGE: "outside the declared range",
    Doubt.GROSS_RANGE: "outside the span that `checks` gives (QARTOD gross range)",
    Doubt.RATE_OF_CHANGE: "changed faster than `checks` allows (QARTOD rate of change)",
    Doubt.SPIKE: "further from the mean of its neighbours than `checks` allows (QARTOD spike)",
    Doubt.FLAT_LINE: "has not moved for as long as `checks` allows (QARTOD flat line)",
}

Doubts = Counter[Doubt]
"""Samples by doubt."""

# OPC 10000-8 (IEC 62541-8): status codes, and in bits 8 to 10 that the value is limited, and how.
UNCERTAIN_NOT_ACCURATE: Final = 0x40930000
UNCERTAIN_UNITS_EXCEEDED: Final = 0x40940000
AT_LOW: Final = 0x0500
AT_HIGH: Final = 0x0600
CONSTANT: Final = 0x0700


def worsen(quality: npt.NDArray[np.int64], where: npt.NDArray[np.bool_], status: int) -> int:
    """Give ``status`` to those ``where`` whose severity is lower, in place; how many. The first of equals stays."""
    changed = where & (quality >> SEVERITY_SHIFT < status >> SEVERITY_SHIFT)
    count = int(np.count_nonzero(changed))
    if count:
        quality[changed] = status
    return count
