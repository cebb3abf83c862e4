"""What a treatment unit type declares. One file a type, each exporting ``PLUGIN``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
import numpy.typing as npt

Figure = TypeVar("Figure", float, npt.NDArray[np.float64])
"""A number or an array of them: formulas work elementwise and give back what they were given."""


@dataclass(frozen=True, slots=True)
class Role:
    """What an instrument measures on a unit. ``unit`` is the UCUM code that analytics calculates in."""

    unit: str
    means: str
    difference: bool = False  # a temperature difference has no offset
    state: bool = False  # an on/off or numbered state, never averaged


@dataclass(frozen=True, slots=True)
class Param:
    """A fixed property of the unit that calculations need, in ``unit`` unless the file names another."""

    unit: str
    means: str
    costs: str  # what can't be computed while it is missing


@dataclass(frozen=True, slots=True)
class Limit:
    """A number that a detector compares with; a bare number in the fleet file is in ``role``'s own unit.

    ``default`` is in ``unit``; ``source`` says where it comes from ("common practice, no source" when
    nobody published it).
    """

    unit: str
    default: float
    means: str
    source: str
    role: str | None = None  # the role whose instrument's unit a bare number is given in


@dataclass(frozen=True, slots=True)
class UnitType:
    """One kind of treatment unit. ``hazards`` are the cautions that work on it always carries."""

    name: str
    means: str
    roles: Mapping[str, Role]
    params: Mapping[str, Param] = field(default_factory=dict)
    limits: Mapping[str, Limit] = field(default_factory=dict)
    hazards: frozenset[str] = frozenset()


PRACTICE = "common practice, no source"

FLOW = "m3/h"
PRESSURE = "kPa"
TEMPERATURE = "Cel"
LEVEL = "m"
OIL = "mg/L"
VOLUME = "m3"
