"""The set that detection is judged by, in the numbers that reports and talks use: 20 faults and 15 look-alikes.

A number may stand for several that come to the same; FAULTS holds more than the set.
"""

from typing import Final

NUMBERS: Final[dict[str, str]] = {
    "filter-fouling": "1",
    "incomplete-backwash": "2",
    "channelling": "3",
    "breakthrough": "4",
    "strainer-blinding": "5",
    "oil-slug": "6",
    "emulsion-pad": "7",
    "reject-ports-plugging": "8",
    "reject-back-pressure": "9",
    "liner-wear": "10",
    "stator-wear": "11",
    "dry-running": "12",
    "lost-prime": "13",
    "membrane-fouling": "14",
    "cloth-blinding": "15",
    "unplanned-stop": "16",
    "power-loss": "16",
    "no-feed": "16",
    "downstream-full": "16",
    "treated-tank-filling": "17",  # with comms-outage
    "chemical-runs-out": "18",
    "backwash-missed": "19",
    "backwash-cycling": "19",
    "backwash-stuck": "19",
    "heat-trace-off": "20",
    "flow-step": "L1",
    "cold-feed": "L2",
    "salinity-change": "L3",
    "sensor-freeze": "L4",
    "analyser-fouling": "L5",
    "gas-bubbles": "L6",
    "clock-jump": "L7",
    "comms-outage": "L8",
    "scheduled-backwash": "L9",
    "scale-change": "L10",
    "re-zero": "L10",
    "impulse-line-plugged": "L11",
    "shutdown": "L12",
    "parallel-wash": "L13",
    "cold-and-traced": "L14",
    "calibration": "L15",
}
