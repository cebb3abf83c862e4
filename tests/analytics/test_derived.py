"""Derived quantities against published formulas and worked examples."""

from __future__ import annotations

import fluids
import numpy as np
import pytest

from analytics.blocks import clean_block
from analytics.cleaning import rules_of
from analytics.derived import available, brine_properties, derive
from analytics.grid import rows_of
from skidhand.unit_types import feed_pump, hydrocyclone, media_filter, weir_tank
from skidhand.units import convert
from tests.analytics.plant import MINUTE0, samples, view

TRAIN = """
version: 1
fleet: Tansy Flat reuse
sites: [{id: tansy-4, name: Tansy 4 pad, timezone: UTC}]
skids:
  - id: sk-1
    name: Skid 1
    placements: [{site: tansy-4, from: 2026-01-01}]
    design_flow: 10
    flow_unit: "m3/h"
    instruments:
      FT-1: {unit: "m3/h", range: [0, 20], period: 60}
      FT-2: {unit: "m3/h", range: [0, 2], period: 60}
      PT-1: {unit: "kPa", range: [0, 1000], period: 60}
      PT-2: {unit: "kPa", range: [0, 1000], period: 60}
      PT-3: {unit: "kPa", range: [0, 1000], period: 60}
      AT-1: {unit: "mg/L", range: [0, 1000], period: 60}
      AT-2: {unit: "mg/L", range: [0, 1000], period: 60}
      LT-1: {unit: "m", range: [0, 4], period: 60}
      LT-2: {unit: "m", range: [0, 4], period: 60}
      ST-1: {unit: "/min", range: [0, 400], period: 60}
      TT-1: {unit: "Cel", range: [0, 100], period: 60}
      PDT-1: {unit: "kPa", range: [0, 200], period: 60}
    units:
      - {id: tank, type: weir_tank, roles: {inlet_flow: FT-1, level: LT-1, interface_level: LT-2},
         params: {area: 8, outlet_height: 0.5}}
      - {id: pump, type: feed_pump, roles: {flow: FT-1, speed: ST-1}, params: {displacement: 1.0}}
      - {id: cyclone, type: hydrocyclone, roles: {inlet_flow: FT-1, reject_flow: FT-2, inlet_pressure: PT-1,
         outlet_pressure: PT-2, reject_pressure: PT-3, inlet_oil: AT-1, outlet_oil: AT-2}}
      - {id: bed, type: media_filter, roles: {flow: FT-1, dp: PDT-1, temperature: TT-1},
         params: {bed_area: 0.8, bed_depth: 0.9, grain: 0.7}}
    water: {tds: 150, tds_unit: "g/L"}
"""
NORMAL = {
    "FT-1": 10.0, "FT-2": 0.25, "PT-1": 600.0, "PT-2": 500.0, "PT-3": 430.0, "AT-1": 250.0, "AT-2": 25.0,
    "LT-1": 2.5, "LT-2": 2.2, "ST-1": 180.0, "TT-1": 25.0, "PDT-1": 30.0,
}  # fmt: skip


def derived(**changes):
    """Every derived series of the train with these readings, at its first minute."""
    skid = view(TRAIN)
    readings = NORMAL | {tag.replace("_", "-"): value for tag, value in changes.items()}
    rows = {tag: [(0.0, value, 0)] for tag, value in readings.items()}
    rows["LT-1"].append((60.0, readings["LT-1"], 0))  # the only word in the second minute
    table = samples(rows)
    block, _ = clean_block(skid, rows_of(table, "sk-1", rules_of(skid).tags), MINUTE0, MINUTE0 + 2)
    return {s.name: s for s in (derive(skid, unit, quantity, block) for unit, quantity in available(skid))}


def test_every_quantity_of_a_full_train():
    """Worked by hand: PDR 600/430/500 kPa is 1.70; 250 to 25 mg/L at split 2.5 % is 0.900 and 0.9025."""
    got = {name: s.value[0] for name, s in derived().items()}
    assert got["cyclone.pressure_drop_ratio"] == pytest.approx(1.70, rel=1e-9)
    assert got["cyclone.reject_ratio"] == pytest.approx(0.025)
    assert got["cyclone.removal"] == pytest.approx(0.900)
    assert got["cyclone.efficiency"] == pytest.approx(0.9025)
    assert got["tank.oil_pad"] == pytest.approx(0.3)
    assert got["tank.residence_time"] == pytest.approx(1.7 * 8 / 10 * 60)
    assert got["tank.overflow_rate"] == pytest.approx(1.25)
    assert got["pump.volumetric_efficiency"] == pytest.approx(10 / (1.0 * 180 * 60 / 1000))
    assert got["bed.filtration_rate"] == pytest.approx(12.5)
    assert got["bed.dp_normalised"] == pytest.approx(30.0)
    assert len(got) == 11


def test_a_held_or_missing_input_shows_in_the_flags():
    """The second minute has no flows: a value a minute that missed one is held, and says so."""
    series = derived()["cyclone.reject_ratio"]
    assert series.flags.tolist() == [0, 32]
    assert series.value[1] == series.value[0]


def test_nothing_is_normalised_or_divided_at_a_standstill():
    """With the flow at a tenth of design the ratios are NaN instead of nonsense."""
    got = derived(FT_1=1.0)
    for name in (
        "bed.dp_normalised",
        "cyclone.reject_ratio",
        "cyclone.pressure_drop_ratio",
        "pump.volumetric_efficiency",
    ):
        assert np.isnan(got[name].value[0])
        assert got[name].flags[0] & 1


def test_ergun_against_the_reference_library_and_its_published_example():
    """``fluids`` gives 1338.8671875 Pa for 0.8 mm, ε 0.4, 1 mm/s, 1000 kg/m³, 1 mPa·s, 1 m (Ergun 1952)."""
    one = np.array(1e-3), np.array(1.0), np.array(1000.0)
    drop = 1000.0 * sum(media_filter.ergun_terms(*one, depth=1.0, grain_mm=0.8, porosity=0.4))
    assert drop == pytest.approx(1338.8671875, rel=1e-9)
    assert drop == pytest.approx(fluids.Ergun(dp=0.8e-3, voidage=0.4, vs=1e-3, rho=1000.0, mu=1e-3, L=1.0), rel=1e-9)
    velocity = convert(5.0, "[gal_us]/min", "m3/h") / 0.09290304 / 3600.0  # 5 gpm/ft²
    laminar, inertial = media_filter.ergun_terms(
        np.array(velocity), np.array(1.002), np.array(998.2), depth=0.9, grain_mm=0.7
    )
    assert float(laminar + inertial) == pytest.approx(4.457, rel=1e-3)
    assert float(laminar / (laminar + inertial)) == pytest.approx(0.955, abs=1e-3)


def test_cold_water_is_taken_out_of_the_drop():
    """The same bed at 10 °C shows 1.44 times the drop (brine of 13.7 % at 25 °C, CRC-checked): index unchanged."""
    warm = derived()["bed.fouling_index"].value[0]
    mu, rho = brine_properties(view(TRAIN), np.array([25.0, 10.0]))
    assert mu[1] / mu[0] == pytest.approx(1.439, rel=0.015)
    v = np.array(10 / 0.8 / 3600)
    cold, base = (sum(media_filter.ergun_terms(v, mu[i], rho[i], depth=0.9, grain_mm=0.7)) for i in (1, 0))
    assert derived(TT_1=10.0, PDT_1=float(30.0 * cold / base))["bed.fouling_index"].value[0] == pytest.approx(
        warm, rel=1e-3
    )


def test_a_flow_step_is_taken_out_of_the_drop():
    """A clean curve of 2 psi laminar and 1 psi inertial at Q0 gives 4.29 psi at 1.3 Q0: the index stays 1."""
    ones = np.ones(1)
    factor = media_filter.clean_drop_factor(
        1.3 * ones, ones, ones, flow0=1.0, viscosity0=1.0, density0=1.0, linear=2.0 / 3.0
    )
    assert 3.0 * factor[0] == pytest.approx(4.29)


def test_formulas_take_numbers_and_arrays():
    """The unit types' formulas work elementwise."""
    two = np.array([1.0, 2.0])
    assert weir_tank.oil_pad(two, two / 2).tolist() == [0.5, 1.0]
    assert feed_pump.volumetric_efficiency(6.0, 1.0, 100.0) == pytest.approx(1.0)
    assert hydrocyclone.efficiencies(250.0, 25.0, 0.025) == pytest.approx((0.9, 0.9025, 0.9))
