"""Properties of brine and crude oil: pure functions on numbers or arrays.

Salt is sodium chloride. Produced water that is rich in calcium or magnesium is heavier and more viscous
than this at equal dissolved solids, so results are "NaCl-equivalent".

Sources: density and viscosity of NaCl solutions from M. Laliberté, J. Chem. Eng. Data 52 (2007) 321
and 54 (2009) 1725 (coefficients of the 2009 paper); API gravity as ASTM D1250 / API MPMS 11.1 define it;
rise velocity from Stokes' law.

Every function broadcasts its arguments, returns a float64 array of the broadcast shape (0-d for
scalars) and raises ValueError outside the range that its docstring gives. NaN passes through.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

MAX_MASS_FRACTION: Final = 0.264  # near halite saturation at 25 °C
SATURATED_G_PER_L: Final = 315.0  # what MAX_MASS_FRACTION comes to at 25 °C, rounded down
WATER_AT_60F: Final = 999.016  # kg/m³, density of water at 60 °F to which API gravity refers (ASTM D1250)
GRAVITY: Final = 9.80665  # m/s², standard acceleration of gravity (exact, CGPM 1901)


def density(mass_fraction: npt.ArrayLike, celsius: npt.ArrayLike) -> Floats:
    """Density of NaCl brine, kg/m³ (Laliberté 2009), at atmospheric pressure.

    ``mass_fraction`` kg NaCl per kg solution, 0 to 0.264; ``celsius`` 0 to 140 °C.
    """
    w = _checked("mass_fraction", mass_fraction, 0.0, MAX_MASS_FRACTION)
    t = _checked("celsius", celsius, 0.0, 140.0)
    water = (
        ((((-2.8054253e-10 * t + 1.0556302e-7) * t - 4.6170461e-5) * t - 0.0079870401) * t + 16.945176) * t + 999.83952
    ) / (1 + 0.01687985 * t)
    salt = (-0.00324112 * w + 0.0636354) * np.exp(1e-6 * (t + 3317.3485) ** 2) / (w + 1.0137140 + 0.01459510 * t)
    return np.asarray(1.0 / ((1.0 - w) / water + w / salt))


def viscosity(mass_fraction: npt.ArrayLike, celsius: npt.ArrayLike) -> Floats:
    """Dynamic viscosity of NaCl brine, mPa·s (Laliberté 2009).

    ``mass_fraction`` kg NaCl per kg solution, 0 to 0.264; ``celsius`` 0 to 140 °C (published for
    5 to 154 °C; below 5 °C it extrapolates).
    """
    w = _checked("mass_fraction", mass_fraction, 0.0, MAX_MASS_FRACTION)
    t = _checked("celsius", celsius, 0.0, 140.0)
    water = (t + 246.0) / ((0.05594 * t + 5.2842) * t + 137.37)
    log_salt = (16.22179 * w**1.322931 + 1.484860) / (0.007469126 * t + 1.0)
    log_salt = log_salt - np.log(30.78020 * w**2.058264 + 1.0)
    return np.asarray(np.exp((1.0 - w) * np.log(water) + w * log_salt))


def mass_fraction(grams_per_litre: npt.ArrayLike) -> Floats:
    """Mass fraction of a brine that holds ``grams_per_litre`` NaCl at 25 °C, 0 to 315 g/L.

    Solves c = w·ρ(w, 25 °C); multiply by 1e6 for mg/kg ("ppm by mass").
    """
    c = _checked("grams_per_litre", grams_per_litre, 0.0, SATURATED_G_PER_L)
    w = np.minimum(c / 1000.0, MAX_MASS_FRACTION)
    for _ in range(30):  # a contraction of factor < 0.2: far below 1e-12 by then
        w = np.minimum(c / density(w, 25.0), MAX_MASS_FRACTION)
    return np.asarray(w)


def grams_per_litre(mass_fraction: npt.ArrayLike) -> Floats:
    """Grams NaCl per litre of solution at 25 °C; inverse of :func:`mass_fraction`, w 0 to 0.264."""
    w = _checked("mass_fraction", mass_fraction, 0.0, MAX_MASS_FRACTION)
    return np.asarray(w * density(w, 25.0))


def oil_specific_gravity(api_gravity: npt.ArrayLike) -> Floats:
    """Specific gravity 60/60 °F = 141.5/(131.5 + °API); °API 0 to 100 (ASTM D1250 / API MPMS 11.1)."""
    api = _checked("api_gravity", api_gravity, 0.0, 100.0)
    return np.asarray(141.5 / (131.5 + api))


def oil_density(api_gravity: npt.ArrayLike) -> Floats:
    """Density of crude oil at 60 °F (15.6 °C), kg/m³, from its °API (0 to 100)."""
    return np.asarray(oil_specific_gravity(api_gravity) * WATER_AT_60F)


def stokes_velocity(
    diameter: npt.ArrayLike,
    water_density: npt.ArrayLike,
    oil_density: npt.ArrayLike,
    viscosity: npt.ArrayLike,
) -> Floats:
    """Rise velocity of an oil droplet, m/s, positive upwards: g·d²·(ρw − ρo)/(18 µ).

    ``diameter`` m (0 to 0.002), densities kg/m³ (500 to 1300), ``viscosity`` of the water mPa·s
    (0.1 to 20). Holds while ρ·v·d/µ is below about 1.
    """
    d = _checked("diameter", diameter, 0.0, 2e-3)
    water = _checked("water_density", water_density, 500.0, 1300.0)
    oil = _checked("oil_density", oil_density, 500.0, 1300.0)
    mu = _checked("viscosity", viscosity, 0.1, 20.0) * 1e-3
    return np.asarray(GRAVITY * d**2 * (water - oil) / (18.0 * mu))


def _checked(name: str, value: npt.ArrayLike, low: float, high: float) -> Floats:
    array = np.asarray(value, dtype=np.float64)
    outside = (array < low) | (array > high)
    if outside.any():
        first = float(array[outside].flat[0])
        raise ValueError(f"{name} {first:g} is outside {low:g} to {high:g}")
    return array
