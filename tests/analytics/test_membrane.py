"""Reverse osmosis at standard conditions: the equations of ASTM D4516 on an example worked by hand."""

from __future__ import annotations

import pytest

from skidhand.unit_types import reverse_osmosis as ro


def test_osmotic_pressure_of_sea_strength_salt():
    """32 000 mg/L at 25 °C is 2616 kPa by ASTM D4516's own equation."""
    assert ro.osmotic_pressure(32_000.0, 25.0) == pytest.approx(2616.0, rel=1e-3)


@pytest.mark.parametrize(("grams", "pitzer_bar"), [(10.0, 7.9), (35.0, 27.7)])
def test_osmotic_pressure_is_near_pitzer_where_it_is_used(grams, pitzer_bar):
    """Within 5 % of Pitzer & Mayorga (J. Phys. Chem. 77, 1973, 2300) for NaCl at 25 °C up to 35 g/L."""
    assert ro.osmotic_pressure(1000.0 * grams, 25.0) / 100.0 == pytest.approx(pitzer_bar, rel=0.05)


@pytest.mark.parametrize(
    ("celsius", "k", "factor"),
    [(5.0, 3020.0, 0.483), (10.0, 3020.0, 0.585), (15.0, 3020.0, 0.704), (20.0, 3020.0, 0.841), (30.0, 2640.0, 1.157)],
)
def test_temperature_correction(celsius, k, factor):
    """The factor for both common K; K is the maker's, and published tables differ by up to 8 %."""
    assert ro.temperature_correction(celsius, k) == pytest.approx(factor, abs=6e-4)


def test_normalised_flow_of_a_worked_example():
    """Standard 10 g/L, Y 0.5, 25 °C, 2800/150/50 kPa; now 11.5 g/L, Y 0.48, 18 °C, 2950/165/50: 9.5 is 11.92 m³/h."""

    def driving(feed, recovery, celsius, pressure, drop, permeate_mg):
        average = ro.feed_brine_average(feed, recovery)
        osmotic = ro.osmotic_pressure(average, celsius)
        return ro.net_driving_pressure(pressure, drop, 50.0, osmotic, ro.osmotic_pressure(permeate_mg, celsius))

    assert ro.feed_brine_average(10_000.0, 0.5) == pytest.approx(13_862.9, rel=1e-5)
    standard = driving(10_000.0, 0.50, 25.0, 2800.0, 150.0, 150.0)
    now = driving(11_500.0, 0.48, 18.0, 2950.0, 165.0, 170.0)
    assert (standard, now) == (pytest.approx(1574.5, rel=1e-3), pytest.approx(1600.8, rel=1e-3))
    assert ro.normalised_permeate_flow(9.5, now, 18.0, driving0=standard) == pytest.approx(11.92, rel=1e-3)
