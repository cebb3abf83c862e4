"""Faults and look-alikes by name: importing this package registers them all in FAULTS."""

from simulator.faults import (
    carrier,
    cyclone,
    filter_bed,
    further,
    instrument,
    meters,
    operation,
    pump,
    stops,
    strainer,
    tank,
)
from simulator.faults.base import FAULTS, Fault, strength

__all__ = [
    "FAULTS",
    "Fault",
    "carrier",
    "cyclone",
    "filter_bed",
    "further",
    "instrument",
    "meters",
    "operation",
    "pump",
    "stops",
    "strainer",
    "strength",
    "tank",
]
