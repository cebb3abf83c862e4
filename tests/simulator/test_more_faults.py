"""Faults and look-alikes of the long trains and the slow ones: each moves its main signs by what its page says.

Where a page says "common practice", so do these; sizes are those of the fault's own line in ``simulate --list``.
"""

import numpy as np
import pytest

from simulator.faults import FAULTS
from simulator.plant.buffer_tank import OilTank
from simulator.plant.conditions import Conditions
from tests.simulator.story import States, scenario

LONG = {"recovery": 0.5, "run_hours": 200}  # so that no filter run hides what is looked for


def lived(folder, event, skid, hours, *, at=2.0, lasts=6.0, plant=None, **fields):
    """States of a skid through one event."""
    story = [{"event": event, "at": at, "hours": lasts, **fields}]
    return States(scenario(folder, story, skid=skid, hours=hours, plant=plant or LONG), skid)


@pytest.mark.parametrize(
    ("event", "skid", "signs"),
    [
        ("gas-break-out", "tf-skid-1", {"hydrocyclone.outlet_oil": (1.2, 4.0)}),
        ("filter-fouling", "tf-skid-1", {"outlet.turbidity": (1.5, 2.6), "weir_tank.outlet_oil": (0.9, 1.1)}),
        ("flow-cut", "tf-skid-1", {"media_filter.flow": (0.72, 0.78), "media_filter.dp": (0.65, 0.82)}),
        ("gas-lost", "mr-long", {"flotation.outlet_oil": (3.0, 9.0), "flotation.recycle_pressure": (0.14, 0.16)}),
        ("lost-prime", "mr-long", {"chemical.dose_flow": (0.0, 0.0), "chemical.dose_command": (2.2, 2.6),
                                   "flotation.ph": (0.74, 0.8)}),
        ("overdose", "mr-long", {"chemical.dose_flow": (2.3, 2.7), "flotation.ph": (1.1, 1.2)}),
        ("membrane-damage", "mr-long", {"reverse_osmosis.permeate_conductivity": (2.8, 3.4)}),
        ("membrane-scaling", "mr-long", {"reverse_osmosis.permeate_conductivity": (1.3, 1.6)}),
        ("too-salty", "mr-long", {"reverse_osmosis.permeate_flow": (0.0, 0.6),
                                  "reverse_osmosis.feed_pressure": (1.5, 2.5)}),
        ("tank-emptying", "mr-three", {"buffer_tank.level": (0.02, 0.7)}),
        ("tank-leak", "mr-three", {"buffer_tank.outlet_flow": (0.7, 0.95), "buffer_tank.inlet_flow": (0.95, 1.05)}),
        ("chemical-delivery", "mr-three", {"chemical.level": (1.25, 1.35)}),
        ("power-loss", "mr-three", {"skid.supply_voltage": (0.0, 0.0), "feed_pump.flow": (0.0, 0.0),
                                    "skid.mode": (1.0, 1.0)}),
        ("gas-alarm", "mr-three", {"feed_pump.flow": (0.95, 1.05), "outlet.oil": (0.9, 1.1)}),
    ],
)  # fmt: skip
def test_a_fault_moves_its_signs(tmp_path, event, skid, signs):
    """Direction and size of each main sign, as a factor of the half hour before."""
    ramp = FAULTS[event].shape == "ramp"
    states = lived(tmp_path, event, skid, 5.0, lasts=3.0 if ramp else 6.0)
    for name, (low, high) in signs.items():
        factor = states.mean(name, 4.9, 5.0) / states.mean(name, 1.5, 2.0)
        assert low <= factor <= high, (name, factor)


def test_gas_alarm_is_on_while_it_acts(tmp_path):
    """On for its hours and no longer."""
    states = lived(tmp_path, "gas-alarm", "mr-three", 4, lasts=1.0)
    assert states["skid.gas_alarm"][120:180].all()
    assert states["skid.gas_alarm"].sum() == 60


def test_fouled_membranes_drop_more_and_need_pressure(tmp_path):
    """At its end 12 % less at equal driving pressure and 20 % more drop along the bundle, at equal flow."""
    states = lived(tmp_path, "membrane-fouling", "mr-long", 8)
    drop = (states["reverse_osmosis.feed_pressure"] - states["reverse_osmosis.concentrate_pressure"]) / states[
        "reverse_osmosis.feed_flow"
    ] ** 1.5
    assert drop[474:480].mean() / drop[60:120].mean() == pytest.approx(1.2, abs=0.01)
    assert states.mean("reverse_osmosis.feed_pressure", 7.9, 8) > states.mean("reverse_osmosis.feed_pressure", 1, 2)


def test_an_emulsion_grows_a_rag_layer_and_lets_oil_through(tmp_path):
    """A rag of 15 cm a day once it is full, half of it the pad's own oil; a ragged interface, and more oil out."""
    states = lived(tmp_path, "emulsion-pad", "tf-skid-1", 20, lasts=20.0)
    pad = states["weir_tank.level"] - states["weir_tank.interface_level"]
    assert states.plant.train.tank.rag / (20 - 2 - 0.5 * 3) * 24 == pytest.approx(0.15, rel=0.03)  # 3 h to come
    assert (pad[1080:1200].mean() - pad[480:600].mean()) / 10.0 * 24 > 0.075
    assert np.diff(pad[600:1200]).std() > 10 * np.diff(pad[:110]).std()
    assert states.mean("weir_tank.outlet_oil", 15, 20) > 1.15 * states.mean("weir_tank.outlet_oil", 1, 2)


def test_a_stuck_skim_says_open_while_nothing_runs_off(tmp_path):
    """The valve reads open, the skim's flow is zero and the pad grows."""
    states = lived(tmp_path, "stuck-skim", "tf-skid-1", 12, lasts=20.0)
    pad = states["weir_tank.level"] - states["weir_tank.interface_level"]
    assert states["weir_tank.skim_flow"][121:].max() == 0.0
    assert states["weir_tank.skim_valve"][121:].min() == 1.0
    assert pad[-1] > pad[119] + 0.008


def test_sludge_takes_the_tanks_quiet_depth(tmp_path):
    """600 mg/L of sand and no draw: 5.4 kg an hour at 9 m³/h lie as 18 L on 6 m², 3 mm an hour."""
    states = lived(tmp_path, "sludge-build-up", "tf-skid-1", 12, lasts=20.0)
    before = lived(tmp_path, "sludge-build-up", "tf-skid-1", 2, lasts=20.0).plant.train.tank.sludge_depth
    grown = states.plant.train.tank.sludge_depth - before
    assert grown == pytest.approx(10 * 0.003, rel=0.1)


def test_chemical_that_runs_out_falls_faster_than_it_is_pumped(tmp_path):
    """Level times area loses a third of the tank more than the meter has seen."""
    states = lived(tmp_path, "chemical-runs-out", "mr-three", 8)
    chemical = next(iter(states.plant.train.chemicals.values()))
    lost = (states["chemical.level"][119] - states["chemical.level"][479]) * chemical.area * 1000.0
    pumped = states["chemical.dose_flow"][120:480].sum() / 60
    assert (lost - pumped) / chemical.full == pytest.approx(0.3, rel=0.02)


def test_hot_feed_slips_through_the_pump(tmp_path):
    """20 °C hotter and so thinner: more speed for the same flow."""
    states = lived(tmp_path, "hot-feed", "tf-skid-1", 9, at=1.0, lasts=9.0)
    speed = states["feed_pump.speed"] / states["feed_pump.flow"]
    assert states.mean("weir_tank.temperature", 8, 9) > states.mean("weir_tank.temperature", 0, 1) + 15
    assert 1.015 < speed[-60:].mean() / speed[:60].mean() < 1.1


def test_one_of_three_filters_washes(tmp_path):
    """The other two get half as much again at once, their drop rises with it, and all is back afterwards."""
    states = lived(tmp_path, "parallel-wash", "mr-three", 3, lasts=0.05, unit="filter-b", plant={"run_hours": 200})
    flow, drop = states["filter-a.flow"], states["filter-a.dp"]
    assert flow[122:128].mean() / flow[100:119].mean() == pytest.approx(1.5, rel=0.06)
    assert 1.5 < drop[122:128].mean() / drop[100:119].mean() < 1.8
    assert drop[140:160].mean() == pytest.approx(drop[100:119].mean(), rel=0.08)


def test_a_freezing_night_with_and_without_the_trace(tmp_path):
    """Traced, the line stays above 4 °C although it freezes outside; with the trace dead it falls below zero."""
    winter = {"ambient": 4.0, "temperature": 20.0, "run_hours": 60}
    traced = lived(tmp_path, "cold-and-traced", "mr-three", 14, lasts=12.0, plant=winter)
    dead = lived(tmp_path, "heat-trace-off", "mr-three", 14, lasts=12.0, plant=winter)
    for states in (traced, dead):
        assert states["skid.ambient_temperature"].min() < -5
    assert traced["skid.line_temperature"][480:].min() > 4
    assert dead["skid.line_temperature"][480:].min() < 0
    assert dead["skid.heat_trace"][180:840].max() == 0


def test_a_truck_that_does_not_come_lets_the_oil_tank_run_over():
    """Above three quarters a truck takes the oil away; without one the level climbs to the rim and stays."""
    now = Conditions()
    FAULTS["truck-missed"].change(now, 1.0, 1.0)
    emptied, left = (OilTank(area=2.0, height=2.5, oil_density=834.0, volume=3.8) for _ in range(2))
    for _ in range(600):
        emptied.step(1 / 60, 0.2, 25.0, Conditions())
        left.step(1 / 60, 0.2, 25.0, now)
    assert emptied.level < 0.5 * 2.5
    assert left.level == pytest.approx(2.5)


def test_cloths_blind_and_tear_by_their_own_conditions():
    """The faults set what the press's own test acts on, and nothing else."""
    for name, field in (("cloth-blinding", "cloth_blinding"), ("cloth-torn", "cloth_torn")):
        now = Conditions()
        FAULTS[name].change(now, 1.0, 3.0)
        assert now == Conditions(**{field: 1.0})
