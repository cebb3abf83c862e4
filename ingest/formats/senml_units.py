"""SenML's unit names (a registry of their own) as UCUM codes.

The names are those of the IANA registries "SenML Units" and "Secondary Units" (RFC 8428 section 12.1,
RFC 8798; NTU was added for ISO 7027-1). What a skid can measure is here; a name that is not, such as
``lat`` or ``dBW``, is refused rather than guessed.
"""

from __future__ import annotations

from typing import Final

_ALIKE: Final = (
    "m", "kg", "g", "s", "A", "K", "mol", "Hz", "rad", "N", "Pa", "J", "W", "C", "V", "F", "Ohm", "S", "Cel",
    "m2", "m3", "l", "m/s", "m/s2", "m3/s", "l/s", "W/m2", "%", "S/m", "kg/m3", "deg",
    "ms", "min", "h", "MHz", "kW", "mV", "mA", "ug/m3", "mm/h", "m/h", "hPa", "mm", "cm", "km", "km/h",
)  # fmt: skip
"""Spelled alike in both."""

UCUM: Final[dict[str, str]] = {
    **{name: name for name in _ALIKE},
    "/": "1",  # a ratio, or a switch: 0 off, 1 on
    "/100": "%",
    "/1000": "10*-3",
    "%RH": "%",
    "%EL": "%",  # remaining energy of a battery
    "ppm": "[ppm]",
    "count": "1",
    "1/s": "/s",
    "1/min": "/min",
    "pH": "[pH]",
    "NTU": "{NTU}",
    "VA": "V.A",
    "kVA": "kV.A",
    "Wh": "W.h",
    "kWh": "kW.h",
    "Ah": "A.h",
}
