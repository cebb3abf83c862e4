"""Each unit's physics against numbers that others have published or that its law gives by hand."""

import numpy as np
import pytest
from fluids import packed_bed
from hypothesis import given
from hypothesis import strategies as st

from simulator import load_scenario
from simulator.build import build_train
from simulator.plant.conditions import Conditions
from simulator.plant.drops import COALESCED, DIAMETERS, droplet_shares
from simulator.plant.feed_pump import pump_speed
from simulator.plant.hydrocyclone import Hydrocyclone, grade_efficiency
from simulator.plant.media_filter import GOOD_WASH, Deposit, MediaFilter, blocking, ergun
from simulator.plant.strainer import Strainer, strainer_drop
from simulator.plant.water import Brine, Stream
from simulator.plant.weir_tank import TORN, WeirTank, rise_velocity
from simulator.plant_file import Plant
from skidhand import brine
from skidhand.fleet import skid_view

GPM_FT2 = 2.444746  # m/h per gpm/ft², exact by the definitions of gallon and foot
QUIET = Conditions()


def test_ergun_gives_the_worked_example_of_the_fluids_library():
    """fluids docstring: 0.8 mm, voids 0.4, 1 mm/s of 1000 kg/m³ and 1 mPa·s over 1 m → 1338.8671875 Pa."""
    assert ergun(3.6, 1000, 1.0, 0.4, 0.8e-3, 1.0) * 1000 == pytest.approx(1338.8671875, rel=1e-9)


@given(st.floats(1, 40), st.floats(1000, 1200), st.floats(0.4, 3), st.floats(0.35, 0.5), st.floats(3e-4, 2e-3))
def test_ergun_agrees_with_the_fluids_library(velocity, density, viscosity, voids, grain):
    """Ergun (1952) as fluids.packed_bed computes it, over the range of media filters."""
    expected = packed_bed.Ergun(dp=grain, voidage=voids, vs=velocity / 3600, rho=density, mu=viscosity / 1000, L=1.2)
    assert ergun(velocity, density, viscosity, voids, grain, 1.2) * 1000 == pytest.approx(expected, rel=1e-9)


def test_a_clean_bed_is_mostly_laminar():
    """Doubling 5 gpm/ft² of fresh water through 0.7 mm media raises Ergun's drop by less than 2.1 times."""
    five, ten = (ergun(n * GPM_FT2, 998.2, 1.0016, 0.42, 0.7e-3, 0.9) for n in (5, 10))
    assert 2.0 < ten / five < 2.1


@pytest.mark.parametrize(
    ("density", "viscosity", "rate", "pascal"),
    [
        (998.2, 1.0016, 5, 4457), (998.2, 1.0016, 10, 9320), (1148, 1.56, 5, 6860), (1148, 1.56, 10, 14185),
        (1148, 2.32, 5, 10089),
    ],
)  # fmt: skip
def test_a_clean_bed_of_the_engineering_sheet(density, viscosity, rate, pascal):
    """0.7 mm, voids 0.42, 0.9 m at gpm/ft², fresh, 20 % brine, cold brine: the sheet's table, made with fluids."""
    drop = ergun(rate * GPM_FT2, density, viscosity, 0.42, 0.7e-3, 0.9)
    assert drop * 1000 == pytest.approx(pascal, rel=1e-3)


@pytest.mark.parametrize(
    ("law", "ratio"), [("complete", 2.0), ("standard", 1.7778), ("intermediate", 1.6487), ("cake", 1.5)]
)
def test_blocking_laws_at_one_half(law, ratio):
    """Hermia (1982) at constant flow, x = 0.5: the closed forms give 2, 1.7778, 1.6487 and 1.5."""
    assert blocking(law, 0.5) == pytest.approx(ratio, abs=1e-4)
    assert blocking(law, 0.0) == 1.0


def test_a_good_wash_brings_the_clean_drop_back_and_a_weak_one_does_not():
    """After a good wash resistance is within 5 % of clean; after weak ones it steps up, wash by wash."""
    after = []
    for strength in (1.0, 0.95, 0.95, 0.95):
        bed = after[-1][0] if after else MediaFilter(design_flow=9, area=0.53, capacity=1000)
        bed.loose = bed.loose.plus(Deposit(1500.0, 1500.0))
        bed.start_wash(Conditions(wash_strength=strength))
        for _ in range(bed.wash_minutes):
            bed.wash_step(1 / 60, Stream(100.0), QUIET)
        after.append((bed, bed.resistance))
    steps = [resistance for _, resistance in after]
    assert steps[0] == pytest.approx(1.0, abs=0.05)
    assert (np.diff(steps) > 0.1).all()


def test_a_wash_without_water_takes_nothing_out():
    """A dry tank lifts no bed: what the wash would have taken lies on the grains when it is over, to the gram."""
    bed = MediaFilter(design_flow=9, area=0.53, capacity=1000, loose=Deposit(1500.0, 1500.0))
    bed.start_wash(QUIET)
    for minute in range(bed.wash_minutes):
        bed.wash_step(1 / 60, Stream(100.0 if minute < 4 else 0.0), QUIET)
    assert bed.washing == bed.to_leave == 0
    assert bed.held().oil == pytest.approx(1500.0 * (1.0 - 0.4 * GOOD_WASH))
    assert bed.wash_total == pytest.approx(4 / 60 * bed.wash_rate * bed.area)


def test_strainer_drop_follows_the_flow_coefficient():
    """ΔP = SG (Q/Cv)²: twice the flow, four times the drop; a screen half blocked, four times again."""
    assert strainer_drop(15, 2, 1000, 0) == pytest.approx(4 * 15)
    assert strainer_drop(15, 1, 1100, 0) == pytest.approx(1.1 * 15)
    assert strainer_drop(15, 1, 1000, 0.5) == pytest.approx(4 * 15)


def test_a_strainer_is_sized_by_the_flow_coefficient_of_the_fleet_file():
    """ΔP[psi] = SG (Q[gpm]/Cv)², the definition of Cv: 40 gpm of fresh water through Cv 27 drops 2.195 psi."""
    skid = load_scenario("calm").fleet.skids[0]
    train, _ = build_train(skid, skid_view(skid), Plant(), seed=1)
    assert train.strainer.clean_dp / 6.894757 == pytest.approx((40 / 27) ** 2, rel=1e-6)


def test_a_blinding_strainer_turns_up_and_a_clean_one_is_clean():
    """Equal debris raises the drop faster and faster; cleaning brings it back."""
    strainer = Strainer(design_flow=9)
    drops = []
    for _ in range(4):
        for _ in range(600):
            strainer.step(1 / 60, 9, 1000, Conditions(coarse_solids=12))
        drops.append(strainer.dp)
    growth = np.diff(drops)
    assert (np.diff(growth) > 0).all()
    strainer.step(1 / 60, 9, 1000, Conditions(strainer_cleaned=True))
    assert strainer.dp == pytest.approx(15, rel=1e-3)


def test_droplets_rise_by_stokes():
    """The tank's rise velocity is the checked one of skidhand.brine, class by class."""
    expected = brine.stokes_velocity(np.array(DIAMETERS), 1058, 834, 1.03)
    np.testing.assert_allclose(rise_velocity(1058, 834, 1.03), expected, rtol=1e-12)


def test_the_brine_table_is_the_brine():
    """The look-up agrees with Laliberté's functions to 2e-5 between its points, and holds at its ends."""
    table = Brine(150, 38)
    for celsius in (0, 7.13, 25.1, 61.9, 89.9):
        density, viscosity = table.at(celsius)
        assert density == pytest.approx(float(brine.density(table.mass_fraction, celsius)), rel=2e-5)
        assert viscosity == pytest.approx(float(brine.viscosity(table.mass_fraction, celsius)), rel=2e-5)
    assert table.at(-5) == table.at(0)


def test_calcium_makes_brine_heavier_and_thicker():
    """CRC Handbook, 20 % CaCl2 at 20 °C, from memory: 1177 kg/m³ and 1.93 mPa·s, within 0.2 and 1.5 %."""
    density, viscosity = Brine(229.56, 38, calcium=1.0).at(20)
    assert density == pytest.approx(1177, rel=2e-3)
    assert viscosity == pytest.approx(1.93, rel=0.015)


def test_shares_of_droplets_add_up():
    """Every droplet mix sums to one, so that no oil appears or vanishes."""
    assert sum(droplet_shares(90e-6, 0.8)) == pytest.approx(1.0)
    assert sum(COALESCED) == pytest.approx(1.0)
    assert sum(TORN) == pytest.approx(1.0)


def settled(flow, celsius=25.0, hours=12):
    """Share of 1000 mg/L feed oil that a 6 m² tank passes at ``flow`` m³/h."""
    water = Brine(90, 38)
    tank = WeirTank(area=6, oil_density=water.oil_density, temperature=celsius)
    feed = Stream(flow, [1000 * share for share in droplet_shares(90e-6, 0.8)])
    for _ in range(hours * 60):
        tank.step(1 / 60, feed, Stream(), 0.0, celsius, flow, *water.at(celsius), 0.0, QUIET)
    return sum(tank.outlet_oil) / 1000


def test_each_droplet_leaves_the_tank_as_three_mixed_cells_let_it():
    """Steady, of each class (1 + v A/(3 q))⁻³ is left: more than the ideal tank's 1 − v A/q (API Publ. 421) leaves."""
    water = Brine(90, 38)
    density, viscosity = water.at(25.0)
    tank = WeirTank(area=6, oil_density=water.oil_density)
    for _ in range(2400):
        tank.step(
            1 / 60, Stream(9.0, (100.0,) * 6, 0.0, 90.0), Stream(), 0.0, 25.0, 9.0, density, viscosity, 0.0, QUIET
        )
    for rise, oil in zip(rise_velocity(density, water.oil_density, viscosity), tank.outlet_oil, strict=True):
        reach = rise * 3600 * 6 / 9
        assert oil / 100 == pytest.approx((1 + reach / 3) ** -3, rel=1e-9)
        assert oil / 100 > 1 - reach


def test_water_stays_in_the_tank_for_its_volume_over_the_flow():
    """Mean residence of what does not rise = volume of water / flow, exactly, and nearly none leaves at once."""
    tank = WeirTank(area=6, oil_density=834.0)
    hours, left = tank.water / 9.0, []
    for _ in range(2400):
        tank.step(1 / 60, Stream(9.0, (100.0,) * 6), Stream(), 0.0, 25.0, 9.0, 834.0, 1.0, 0.0, QUIET)
        left.append(tank.outlet_oil[0] / 100)
    assert sum(1 - share for share in left) / 60 == pytest.approx(hours, rel=1e-3)
    assert left[5] < 0.01


def test_more_flow_and_colder_water_carry_more_oil():
    """Overflow rate against rise velocity (API Publ. 421): removal falls with flow and with viscosity."""
    base = settled(9)
    assert settled(11) > 1.1 * base
    assert settled(9, celsius=10.0) > 1.1 * base


def spun(flow=10.0, area=1.0, back_pressure=0.0):
    """A cyclone of design flow 10, 100 kPa drop, 400 kPa outlet, 2 % split; its state at these conditions."""
    cyclone = Hydrocyclone(design_flow=10, design_dp=100, outlet_pressure=400, split=0.02, pdr=1.7, density=1000)
    now = Conditions(reject_area=area, reject_back_pressure=back_pressure)
    cyclone.pressures(flow, 400, 1000, now)
    ratio = (cyclone.inlet - cyclone.reject_pressure) / (cyclone.inlet - cyclone.outlet)
    return cyclone, ratio, cyclone.reject / flow


@pytest.mark.parametrize(
    ("case", "inlet", "ratio", "split"),
    [
        ({}, 500, 1.70, 0.02),
        ({"area": 0.5}, 500, 1.70, 0.01),
        ({"back_pressure": 0.5}, 500, 1.20, 0.0168),
        ({"flow": 7.0}, 449, 2.43, 0.0239),
    ],
)
def test_cyclone_signatures(case, inlet, ratio, split):
    """By hand from Pin − Pout = K Q² and Qr = Cr √(Pin − Prej): a plugged port leaves the ratio alone."""
    cyclone, found_ratio, found_split = spun(**case)
    assert cyclone.inlet == pytest.approx(inlet, abs=0.5)
    assert found_ratio == pytest.approx(ratio, abs=0.005)
    assert found_split == pytest.approx(split, rel=0.005)


def test_grade_efficiency_is_one_half_at_d50():
    """η(d) = 1 − exp(−ln 2 (d/d50)ⁿ): one half at d50, rising with size."""
    efficiency = grade_efficiency((5e-6, 14e-6, 16e-6, 20e-6, 30e-6, 40e-6), 14e-6)
    assert efficiency[1] == pytest.approx(0.5)
    assert (np.diff(efficiency) > 0).all()


def test_the_cyclone_loses_oil_where_its_reject_starves():
    """Outlet oil rises when the ports plug or the reject is throttled, and nearly nothing is caught at no flow."""
    oil = [250 * share for share in (0.02, 0.08, 0.2, 0.35, 0.25, 0.1)]
    outlets = []
    for case in ({}, {"back_pressure": 0.5}, {"area": 0.5}, {"area": 0.05}):
        cyclone, _, _ = spun(**case)
        cyclone.separate(1 / 60, Stream(10, oil), 1060, 834, 1.03, QUIET)
        outlets.append(sum(cyclone.oil_out))
    assert (np.diff(outlets) > 1).all()


def test_pump_speed_makes_up_for_slip():
    """Q = Vd N − k ΔP/µ: 9 m³/h with 0.75 L a turn is 200 rpm without slip; thin water slips more."""
    assert pump_speed(9, 0, 1.0, 0.75e-3, 0.002) == pytest.approx(200)
    cold, warm = (pump_speed(9, 400, mu, 0.75e-3, 0.002) for mu in (1.5, 0.7))
    assert warm > cold > 200
