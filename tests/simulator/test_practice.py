"""Bands of common practice, without a published source: one at a time, no shipped skid carries the whole set."""

import numpy as np
import pytest

from simulator import load_scenario
from simulator.plant.conditions import Conditions
from simulator.plant.drops import DIAMETERS
from simulator.plant.media_filter import MediaFilter
from simulator.plant.water import Stream
from tests.simulator.story import States, scenario


@pytest.fixture(scope="module")
def long_trains():
    """A day of the strong-brine skid of the long trains, before anything happens to it."""
    return States(load_scenario("long-trains"), "mr-three", 24)


@pytest.fixture(scope="module")
def low_pressure(tmp_path_factory):
    """A low-pressure cyclone at 4 % reject behind a tank that is given 3,000 mg/L."""
    folder = tmp_path_factory.mktemp("practice")
    plant = {"oil": 3000, "cyclone_split": 0.04, "run_hours": 15}
    return States(scenario(folder, [], hours=20, plant=plant))


def test_the_tank_takes_most_of_the_free_oil(low_pressure):
    """Common practice, no source: nearly all free oil (150 µm, as API 421 counts) leaves in the first cut."""
    train = low_pressure.plant.train
    came, left = (3000 * sum(train.droplets[5:]), sum(train.tank.outlet_oil[5:]))
    assert left < 0.1 * came
    assert low_pressure.mean("weir_tank.outlet_oil", 10, 12) < 0.4 * 3000


def test_oil_after_the_cyclone(low_pressure):
    """Common practice, no source: about 150 mg/L or less leaves a cyclone."""
    assert low_pressure.mean("hydrocyclone.outlet_oil", 10, 12) < 150


def test_split_of_a_low_pressure_cyclone(low_pressure):
    """Common practice, no source: about 96 % forward and 4 % reject; 1 to 8 % over all kinds."""
    split = low_pressure["hydrocyclone.reject_flow"] / np.maximum(low_pressure["hydrocyclone.inlet_flow"], 1e-9)
    running = low_pressure["hydrocyclone.inlet_flow"] > 5
    assert split[running].mean() == pytest.approx(0.04, rel=0.1)


def test_pressures_of_a_low_pressure_cyclone(low_pressure):
    """Common practice, no source: 60 psi in and 30 psi out is one low-pressure case."""
    psi = 6.894757
    assert low_pressure.mean("hydrocyclone.inlet_pressure", 2, 8) / psi == pytest.approx(60, rel=0.1)
    assert low_pressure.mean("hydrocyclone.outlet_pressure", 2, 8) / psi == pytest.approx(30, rel=0.1)


def test_oil_after_the_media_filter(long_trains):
    """Common practice, no source: 2 to 20 mg/L leave a media filter."""
    assert 2 < long_trains.mean("outlet.oil", 10, 20) < 20


def test_the_media_filter_takes_ten_micrometres():
    """Common practice, no source: a media filter takes droplets down to 10 µm, more than half of them."""
    bed = MediaFilter(design_flow=9, area=0.53, capacity=1e9)
    out = bed.step(1 / 60, Stream(9.0, [10.0] * 6), 20.0, 25.0, Conditions())
    assert out.oil[DIAMETERS.index(10e-6)] < 5.0


def test_backwash_takes_less_than_a_twentieth(low_pressure):
    """Common practice, no source: wash water is under 5 % of throughput."""
    assert len(low_pressure.plant.washes) >= 1
    wash = low_pressure["media_filter.backwash_flow"].sum() / 60
    assert wash < 0.05 * low_pressure["media_filter.flow"].sum() / 60


def test_salt_of_the_shipped_skids():
    """Common practice, no source: produced water holds 20 to 250 g/L of dissolved solids."""
    for name in ("calm", "long-trains"):
        for skid in load_scenario(name).fleet.skids:
            assert 20 <= skid.water.tds / 1000 <= 250, (name, skid.id)
