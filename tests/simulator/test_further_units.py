"""Tanks, dosing, flotation, membranes and press against published values and their own laws."""

import pytest

from simulator.plant.buffer_tank import BufferTank
from simulator.plant.chemical import Chemical
from simulator.plant.conditions import Conditions
from simulator.plant.filter_bank import share
from simulator.plant.filter_press import FilterPress
from simulator.plant.flotation import Flotation
from simulator.plant.osmosis import conductivity, osmotic_coefficient, osmotic_pressure
from simulator.plant.reverse_osmosis import ReverseOsmosis
from simulator.plant.services import Services
from simulator.plant.water import Stream

QUIET = Conditions()
DT = 1 / 60
OIL = [100 / 6] * 6


@pytest.mark.parametrize(("molal", "published"), [(1.0, 0.9355), (3.0, 1.0453), (6.0, 1.271)])
def test_osmotic_coefficient_of_sodium_chloride(molal, published):
    """Hamer and Wu, J. Phys. Chem. Ref. Data 1 (1972) 1047, from memory: within 0.3 %."""
    assert osmotic_coefficient(molal) == pytest.approx(published, rel=3e-3)


@pytest.mark.parametrize(
    ("grams", "bar"), [(10, 7.87), (35, 27.75), (50, 40.19), (100, 85.4), (200, 199.4), (300, 356.7)]
)
def test_osmotic_pressure_agrees_with_another_program(grams, bar):
    """pyEQL 1.7.0's Pitzer model for NaCl at 25 °C: within 1 %."""
    assert osmotic_pressure(grams, 25.0) / 100 == pytest.approx(bar, rel=0.01)


def test_conductivity_flattens_with_salt():
    """CRC Handbook, NaCl at 20 °C, from memory: 10 % 126 and 20 % 204 mS/cm, so far from proportional."""
    assert conductivity(107.07, 1070.7, 20.0) == pytest.approx(126, rel=0.03)
    assert conductivity(229.56, 1147.8, 20.0) == pytest.approx(204, rel=0.03)


def produced(salt, celsius=25.0, **ill):
    """Membranes of 20 m³/h after one step on brine of ``salt`` g/L."""
    membranes = ReverseOsmosis(20.0)
    membranes.step(Stream(20.0, OIL, 5.0, salt), 1020.0, celsius, Conditions(**ill))
    return membranes


def test_reverse_osmosis_cannot_treat_strong_brine():
    """Common practice, no source: infeasible at 145 g/L. Its osmotic pressure exceeds what the vessels bear."""
    assert osmotic_pressure(145.0, 25.0) > ReverseOsmosis(20.0).highest
    assert produced(145.0).permeate == 0.0
    assert produced(25.0).permeate == pytest.approx(10.0)


def test_cold_water_needs_pressure_by_the_temperature_factor():
    """exp(3020 (1/298.15 − 1/T)): 0.704 at 15 °C, so the driving part of the pressure rises to 1/0.704."""
    warm, cold = produced(1.0), produced(1.0, 15.0)
    osmotic = osmotic_pressure(1.386, 25.0) - osmotic_pressure(1.386, 15.0)
    assert (cold.feed_pressure - warm.feed_pressure + osmotic) / 1500 == pytest.approx(1 / 0.704 - 1, rel=0.01)


def test_fouled_membranes_need_pressure_and_torn_ones_pass_salt():
    """12 % less flow at equal driving pressure is 1/0.88 of it at equal flow; damage triples the passage."""
    new, fouled, torn = produced(25.0), produced(25.0, membrane_fouling=1.0), produced(25.0, membrane_damage=1.0)
    extra = 1500 * (1 / 0.88 - 1) + 0.5 * 0.2 * new.drop
    assert fouled.feed_pressure - new.feed_pressure == pytest.approx(extra, rel=0.01)
    assert fouled.drop == pytest.approx(1.2 * new.drop)
    assert torn.permeate_salt == pytest.approx(3 * new.permeate_salt, rel=0.01)


@pytest.mark.parametrize(("cells", "removed"), [(1, 0.5), (2, 0.75), (3, 0.875), (4, 0.9375)])
def test_flotation_halves_the_oil_in_each_cell(cells, removed):
    """Arnold and Stewart, Surface Production Operations: about 50 % a cell, 87 % in three and 94 % in four."""
    water, _ = Flotation(cells).step(DT, Stream(20.0, OIL), 1.0, QUIET)
    assert sum(water.oil) / 100 == pytest.approx(1 - removed, rel=1e-6)


def test_flotation_without_gas_or_caustic():
    """Without gas most oil passes; without caustic the pH falls from 9.5 by 2 in half an hour, and haze comes."""
    cells = Flotation()
    water, _ = cells.step(DT, Stream(20.0, OIL), 1.0, Conditions(gas_lost=1.0))
    assert sum(water.oil) > 75
    for _ in range(30):
        cells.step(DT, Stream(20.0, OIL), 0.0, QUIET)
    assert 7.2 < cells.ph < 7.6
    assert cells.haze > 20


def test_a_lost_prime_drives_the_command_up_and_leaves_the_level():
    """No chemical flows, however much is asked; the level stands still, the command climbs to its end."""
    drum = Chemical(20.0, 2.0)
    before = drum.volume
    for _ in range(60):
        dose = drum.step(DT, 20.0, 2.5, Conditions(dose_lost=1.0))
    assert (dose, drum.volume) == (0.0, before)
    assert drum.command > 95


def test_chemical_that_leaves_is_pumped_leaked_or_delivered():
    """Level change = deliveries less what was pumped and leaked, over weeks with a leak and a refill."""
    drum = Chemical(20.0, 2.0)
    before = drum.volume
    for minute in range(20_000):
        drum.step(DT, 20.0, 1.0, Conditions(leak=0.001 if minute % 2 else 0.0))
    assert drum.delivered > 0
    assert drum.volume == pytest.approx(before + drum.delivered - drum.pumped - drum.leaked, abs=1e-6)


def test_a_tank_without_take_away_fills_and_stops_the_skid():
    """At 10 m³/h a 12 m² tank rises 0.83 m an hour; near its rim it asks the skid to stop, with hysteresis."""
    tank = BufferTank(area=12, height=3, salt=90, usual=10)
    level = tank.level
    for _ in range(30):
        tank.step(DT, Stream(10.0, salt=90.0), 0.0, 1060, 25, Conditions(takeaway=0.0))
    assert tank.level - level == pytest.approx(5 / 12)
    for _ in range(90):
        tank.step(DT, Stream(10.0, salt=90.0), 0.0, 1060, 25, Conditions(takeaway=0.0))
    assert tank.full
    tank.step(DT, Stream(0.0), 0.0, 1060, 25, Conditions(takeaway=0.2))
    assert tank.full


def cycle(**ill):
    """(minutes to 90 % of full pressure, cake solids g, minutes of the cycle) of one press cycle."""
    press = FilterPress(batch=2.0)
    press.sludge.water, press.sludge.solids = 4.0, 4.0 * 50_000
    ready, cake, minutes = None, None, 0
    for _ in range(1000):
        _, cake = press.step(DT, Stream(), Conditions(**ill))
        minutes += press.pressing
        if ready is None and press.pressure > 0.9 * press.highest:
            ready = minutes
        if cake is not None:
            break
    return ready, cake.solids, minutes


def test_a_press_cycle_and_what_a_blinded_cloth_does_to_it():
    """UFC 3-280-03 (2003): the flow decays to 5 to 7 % over 1 to 3 h. Blinded: full pressure within a fraction
    of the time and about 40 % less cake; torn: the flow does not decay, so that pressure stays low."""
    ready, cake, minutes = cycle()
    assert 60 <= minutes <= 180
    blinded, less, _ = cycle(cloth_blinding=1.0)
    assert blinded < 0.45 * ready
    assert less / cake == pytest.approx(0.6, abs=0.08)
    torn, _, longer = cycle(cloth_torn=1.0)
    assert torn is None or torn > 1.5 * ready
    assert longer < minutes  # the batch runs through


def test_parallel_filters_share_one_drop():
    """Equal drops and all of the flow, for clean and loaded beds; two of three alike carry half as much again."""
    curves = [(2.0, 0.01), (8.0, 0.01), (3.0, 0.05)]
    flows, dp = share(30.0, curves)
    assert sum(flows) == pytest.approx(30.0)
    for (a, b), q in zip(curves, flows, strict=True):
        assert a * q + b * q * q == pytest.approx(dp, rel=1e-6)
    (three, _), (two, _) = share(30.0, [(2.0, 0.01)] * 3), share(30.0, [(2.0, 0.01)] * 2)
    assert two[0] / three[0] == pytest.approx(1.5)


def test_a_traced_line_stays_warm_and_an_untraced_one_freezes():
    """At −10 °C outside the trace holds the line above 5 °C; without current it falls below 0 °C in hours."""
    line = Services()
    for _ in range(600):
        line.step(DT, True, True, -10.0, 20.0, 0.0, QUIET)
    assert (line.trace, line.line > 5.0) == (1.0, True)
    for _ in range(600):
        line.step(DT, True, True, -10.0, 20.0, 0.0, Conditions(trace_dead=True))
    assert (line.trace, line.line < 0.0) == (0.0, True)
