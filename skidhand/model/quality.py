"""OPC UA StatusCodes as skidhand stores them: a non-negative int64 beside every sample.

Values: OPC 10000-8 (IEC 62541-8). The top two bits of the 32-bit code are the severity:
00 Good, 01 Uncertain, 10 Bad (11 is reserved and is treated as Bad).
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

GOOD: Final = 0x00000000
UNCERTAIN: Final = 0x40000000
BAD: Final = 0x80000000
BAD_SENSOR_FAILURE: Final = 0x808C0000
UNCERTAIN_LAST_USABLE: Final = 0x40900000

MAX_STATUS: Final = 0xFFFFFFFF
SEVERITY_SHIFT: Final = 30


def is_good(status: int) -> bool:
    """True when the severity bits are 00."""
    return status >> SEVERITY_SHIFT == 0


def is_bad(status: int) -> bool:
    """True when the severity bits are 10 or the reserved 11."""
    return status >> SEVERITY_SHIFT >= 2


def good_mask(status: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Elementwise :func:`is_good`; same shape as ``status``."""
    return np.asarray(status < UNCERTAIN)


def bad_mask(status: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Elementwise :func:`is_bad`; same shape as ``status``."""
    return np.asarray(status >= BAD)


def worst(*statuses: int) -> int:
    """The status of the highest severity, the first of equals (a derived value's quality)."""
    return max(statuses, key=lambda s: s >> SEVERITY_SHIFT, default=GOOD)
