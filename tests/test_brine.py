"""Brine and oil properties against published tables and the IAPWS reference library."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws import IAPWS95

from skidhand import brine

NACL_MOLAR_MASS = 58.4428  # g/mol, IUPAC atomic weights


def from_molality(m):
    """Mass fraction NaCl of ``m`` mol per kg water."""
    return m * NACL_MOLAR_MASS / (1000 + m * NACL_MOLAR_MASS)


@pytest.mark.parametrize(
    ("molality", "celsius", "expected"),
    [
        (1, 25, 1036.23),
        (3, 25, 1105.78),
        (5, 25, 1166.45),
        (5, 10, 1173.77),
        (1, 60, 1020.7),
        (5, 60, 1147.3),
    ],
)
def test_density_agrees_with_rogers_and_pitzer(molality, celsius, expected):
    """Rogers & Pitzer, J. Phys. Chem. Ref. Data 11 (1982) 15, 1 bar, kg/m³: within 0.1 %."""
    assert brine.density(from_molality(molality), celsius) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(
    ("percent", "density", "viscosity"),
    [
        (1, 1005.3, 1.020),
        (5, 1034.0, 1.085),
        (10, 1070.7, 1.193),
        (15, 1108.5, 1.352),
        (20, 1147.8, 1.557),
        (25, 1188.7, 1.902),
        (26, 1197.2, 1.990),
    ],
)
def test_density_and_viscosity_agree_with_the_crc_handbook(percent, density, viscosity):
    """CRC Handbook of Chemistry and Physics, 102nd ed. (2021), aqueous NaCl at 20 °C: 0.1 % and 1.5 %."""
    assert brine.density(percent / 100, 20) == pytest.approx(density, rel=1e-3)
    assert brine.viscosity(percent / 100, 20) == pytest.approx(viscosity, rel=1.5e-2)


@pytest.mark.parametrize("celsius", [5, 10, 15, 20, 25, 30, 40, 50, 60, 80])
def test_without_salt_it_is_pure_water(celsius):
    """IAPWS-95 density and IAPWS R12-08 viscosity at 0.101325 MPa: within 0.5 %."""
    water = IAPWS95(T=celsius + 273.15, P=0.101325)
    assert brine.density(0, celsius) == pytest.approx(water.rho, rel=5e-3)
    assert brine.viscosity(0, celsius) == pytest.approx(water.mu * 1e3, rel=5e-3)


def test_viscosity_agrees_with_kestin_khalifa_and_correia():
    """Kestin, Khalifa & Correia, J. Phys. Chem. Ref. Data 10 (1981) 71 (equation from memory): within 1 %."""
    molality, celsius = np.meshgrid([0.5, 1, 2, 3, 4, 5, 6], [20, 25, 30, 40, 50, 60])
    a = 0.03324 * molality + 0.003624 * molality**2 - 0.0001879 * molality**3
    b = -0.0396 * molality + 0.0102 * molality**2 - 0.000702 * molality**3
    d = 20.0 - celsius
    s = (1.2378 * d - 1.303e-3 * d**2 + 3.06e-6 * d**3 + 2.55e-8 * d**4) / (96 + celsius)
    published = 1.002 * 10 ** (a + (1 + b) * s)
    np.testing.assert_allclose(brine.viscosity(from_molality(molality), celsius), published, rtol=1e-2)


@pytest.mark.parametrize(("grams", "density"), [(107.07, 1070.7), (229.56, 1147.8), (311.27, 1197.2)])
def test_a_litre_holds_what_the_table_says(grams, density):
    """Poradnik fizykochemiczny (1974), NaCl at 20 °C: g/L and kg/m³ belong together within 0.3 %.

    The table counts its litre at 20 °C, ours at 25 °C, which is 0.2 % larger.
    """
    w = brine.mass_fraction(grams)
    assert w == pytest.approx(grams / density, rel=3e-3)
    assert brine.density(w, 20) == pytest.approx(density, rel=1e-3)


@given(st.floats(0, brine.SATURATED_G_PER_L))
def test_mass_fraction_and_grams_per_litre_are_inverse(grams):
    """Going to mass fraction and back gives the same concentration."""
    assert brine.grams_per_litre(brine.mass_fraction(grams)) == pytest.approx(grams, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(
    ("api", "expected"), [(10, 1.0), (20, 0.9340), (30, 0.8762), (35, 0.8498), (45, 0.8017), (60, 0.7389)]
)
def test_oil_gravity_follows_its_definition(api, expected):
    """ASTM D1250 / API MPMS 11.1: °API 10 is as heavy as water at 60 °F; printed to four places."""
    assert brine.oil_specific_gravity(api) == pytest.approx(expected, abs=1e-4)
    assert brine.oil_density(10) == pytest.approx(999.016)


def test_rise_velocity_has_the_form_of_api_publication_421():
    """API Publ. 421 (1990), 150 µm droplet: Vt[ft/min] = 0.0241 (Sw − So)/µ[poise], within 0.3 %."""
    water_sg, oil_sg, poise = 1.05, 0.85, 0.0115
    v = brine.stokes_velocity(150e-6, water_sg * 1000, oil_sg * 1000, poise * 100)
    assert v / 0.3048 * 60 == pytest.approx(0.0241 * (water_sg - oil_sg) / poise, rel=3e-3)


def test_functions_take_arrays():
    """Arguments broadcast against each other and NaN passes through."""
    rho = brine.density([[0.0], [0.1]], [20.0, 40.0, np.nan])
    assert rho.shape == (2, 3)
    assert np.isnan(rho[:, 2]).all()
    assert (np.diff(rho[:, :2], axis=0) > 0).all()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: brine.density(0.3, 20), "mass_fraction 0.3 is outside 0 to 0.264"),
        (lambda: brine.viscosity(0.1, 150), "celsius 150 is outside 0 to 140"),
        (lambda: brine.mass_fraction([10, 400]), "grams_per_litre 400 is outside 0 to 315"),
        (lambda: brine.oil_density(-1), "api_gravity -1 is outside 0 to 100"),
        (lambda: brine.stokes_velocity(1.0, 1000, 850, 1), "diameter 1 is outside 0 to 0.002"),
    ],
)
def test_values_out_of_range_are_named(call, message):
    """A ValueError says which argument, its value and the range."""
    with pytest.raises(ValueError, match=message.replace(".", r"\.")):
        call()
