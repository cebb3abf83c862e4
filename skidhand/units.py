"""Units: UCUM codes in, numbers out, through pint.

UCUM (Unified Code for Units of Measure) codes name every unit in files and stores. ``ucumvert``
parses them; the few codes that it can't (``[pH]``) and annotations such as ``{NTU}`` are counted as
their own dimension here, so that nothing converts into them by accident.
"""

from __future__ import annotations

import threading
from functools import lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from skidhand.errors import UserError

# Two threads that both come first would build two registries, whose units never fit each other.
_one_at_a_time: Final = threading.RLock()


def _registry() -> Any:
    with _one_at_a_time:
        return _built()


@lru_cache(maxsize=1)
def _built() -> Any:
    # Built on first use: it takes a second, and most commands never convert a unit.
    from ucumvert import PintUcumRegistry

    return PintUcumRegistry()


OWN_DIMENSION: Final = frozenset({"[pH]", "{NTU}", "{state}"})
"""Codes that convert to nothing but themselves."""

LABELS: Final = {
    "[psi]": "psi", "[gal_us]/min": "gpm", "[bbl_us]": "bbl", "[bbl_us]/d": "bbl/d", "Cel": "C",
    "[degF]": "F", "[in_i]": "in", "[ft_i]": "ft", "{NTU}": "NTU", "[pH]": "pH", "m3/h": "m3/h", "1": "",
    "/min": "rpm",
}  # fmt: skip
"""Short names for texts and screens, in letters that GSM 03.38 has (so no degree sign)."""


class UnitError(UserError):
    """A unit code is unknown, or two units measure different things."""


@lru_cache(maxsize=512)
def _parsed(code: str) -> Any:
    try:
        with _one_at_a_time:
            return _registry().from_ucum(code).units
    except Exception as error:  # the parser raises its grammar library's own errors
        raise UnitError(f"{code!r} is not a UCUM unit code that skidhand knows (try '[psi]', 'kPa', 'm3/h')") from error


def check_unit(code: str) -> None:
    """Raise UnitError unless ``code`` is a UCUM code that can be used here."""
    if code not in OWN_DIMENSION:
        _parsed(code)


def same_dimension(one: str, other: str) -> bool:
    """True when a value in ``one`` can be turned into ``other``."""
    if one == other:
        return True
    if one in OWN_DIMENSION or other in OWN_DIMENSION:
        return False
    return bool(_parsed(one).dimensionality == _parsed(other).dimensionality)


@lru_cache(maxsize=1024)
def _line(source: str, target: str, difference: bool) -> tuple[float, float]:
    """(factor, offset) with target = factor × source + offset."""
    if source == target:
        return 1.0, 0.0
    if not same_dimension(source, target):
        raise UnitError(f"cannot turn {source!r} into {target!r}: they measure different things")
    zero = float(_registry().Quantity(0.0, _parsed(source)).to(_parsed(target)).magnitude)
    one = float(_registry().Quantity(1.0, _parsed(source)).to(_parsed(target)).magnitude)
    return one - zero, 0.0 if difference else zero


def convert(value: float, source: str, target: str, *, difference: bool = False) -> float:
    """``value`` of UCUM unit ``source`` in ``target``; UnitError when they don't fit.

    A ``difference`` of temperatures has no offset (a 10 K rise is 18 degF, not 50).
    """
    factor, offset = _line(source, target, difference)
    return value * factor + offset


def convert_array(
    values: npt.NDArray[np.float64], source: str, target: str, *, difference: bool = False
) -> npt.NDArray[np.float64]:
    """Elementwise :func:`convert`; same shape; the input itself when the units are equal."""
    if source == target:
        return values
    factor, offset = _line(source, target, difference)
    return values * factor + offset


def label(code: str) -> str:
    """A short name of the unit for people, GSM 03.38 letters only."""
    return LABELS.get(code, code)
