"""Bands of common practice, without a published source: one at a time, no shipped skid carries the whole set."""

import numpy as np
import pytest
from pydantic import ValidationError

from simulator import load_scenario
from simulator.build import LINE, build_train
from simulator.plant.conditions import Conditions
from simulator.plant.drops import DIAMETERS, droplet_shares, scaled
from simulator.plant.filter_press import FilterPress
from simulator.plant.hydrocyclone import Hydrocyclone
from simulator.plant.ledger import Stock
from simulator.plant.media_filter import MediaFilter
from simulator.plant.water import Stream
from simulator.plant_file import Plant
from skidhand.fleet import skid_view
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


def test_the_worst_oil_into_a_cyclone():
    """Common practice, no source: 10,000 mg/L into a cyclone at worst, about 150 mg/L after it."""
    cyclone = Hydrocyclone(design_flow=9.0)
    cyclone.pressures(9.0, 207.0, 1060.0, Conditions())
    feed = Stream(9.0, scaled(droplet_shares(100e-6, 0.8), 10_000.0), 25.0, 90.0)
    water, _ = cyclone.separate(1 / 60, feed, 1060.0, 834.0, 1.03, Conditions())
    assert 75 < sum(water.oil) < 300


def test_splits_that_a_scenario_may_ask_for():
    """Common practice, no source: 1 to 8 % over all kinds of cyclones; nothing else can be set."""
    assert Plant(cyclone_split=0.01).cyclone_split < Plant(cyclone_split=0.08).cyclone_split
    for split in (0.009, 0.081):
        with pytest.raises(ValidationError, match="cyclone_split"):
            Plant(cyclone_split=split)


def test_the_pump_shears_no_droplets(low_pressure):
    """Common practice, no source: progressive cavity pumps; droplets reach the cyclone as the tank gave them."""
    train = low_pressure.plant.train
    assert train.cyclone.oil_in == train.tank.outlet_oil


def test_the_strainer_stands_ahead_of_the_tank():
    """Common practice, no source: strainers (200 to 1000 µm) ahead of the weir tank; they see what the pad sends."""
    assert LINE.index("strainer") < LINE.index("weir_tank")
    states = States(load_scenario("calm"), "tf-skid-1", 2)
    assert (states["strainer.flow"] == states["weir_tank.inlet_flow"]).all()


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


def test_inlet_pressures_of_the_shipped_cyclones():
    """Common practice, no source: 30 to 100 psi into a cyclone."""
    for name, skid in (("calm", "tf-skid-1"), ("calm", "tf-skid-2"), ("long-trains", "mr-long")):
        inlet = States(load_scenario(name), skid, 2).mean("hydrocyclone.inlet_pressure", 1, 2) / 6.894757
        assert 30 < inlet < 100, skid


def test_oil_after_the_media_filter(long_trains):
    """Common practice, no source: 2 to 20 mg/L leave a media filter."""
    assert 2 < long_trains.mean("outlet.oil", 10, 20) < 20


def test_the_media_filter_takes_ten_micrometres():
    """Common practice, no source: a media filter takes droplets down to 10 µm, more than half of them."""
    bed = MediaFilter(design_flow=9, area=0.53, capacity=1e9)
    out = bed.step(1 / 60, Stream(9.0, [10.0] * 6), 9.0, 20.0, 25.0, Conditions())
    assert out.oil[DIAMETERS.index(10e-6)] < 5.0


def test_backwash_takes_less_than_a_twentieth(low_pressure):
    """Common practice, no source: wash water is under 5 % of throughput."""
    assert len(low_pressure.plant.washes) >= 1
    wash = low_pressure["media_filter.backwash_flow"].sum() / 60
    assert wash < 0.05 * low_pressure["media_filter.flow"].sum() / 60


def test_a_backwash_uses_the_plants_own_water(tmp_path):
    """Common practice, no source: it is washed with its own produced water, so what comes back is as salty."""
    states = States(scenario(tmp_path, [{"event": "scheduled-backwash", "at": 1, "hours": 0.05}], hours=1.2))
    sump = states.plant.train.sump.stock
    assert states["media_filter.backwash"].sum() == 10
    assert sump.water > 1.0
    assert sump.salt / sump.water == pytest.approx(90, rel=1e-6)


def test_the_press_leaves_a_dry_cake_and_its_filtrate_goes_back_to_the_head():
    """Common practice, no source: the cake is half water; the filtrate falls into the sump that feeds the tank."""
    press = FilterPress(batch=2.0)
    press.sludge.water, press.sludge.solids, cake = 4.0, 200_000.0, None
    while cake is None:
        _, cake = press.step(1 / 60, Stream(), Conditions())
    assert cake.water * 1e6 == pytest.approx(cake.solids, rel=1e-6)
    skid = load_scenario("long-trains").fleet.skids[0]
    train, normal = build_train(skid, skid_view(skid), Plant(), seed=1)
    train.press.sludge, train.press.pressing, train.press.minutes = Stock(2.0, 0.0, 100_000.0, 90.0), True, 0
    train.sump.stock = Stock()
    train.step(normal.at(25.0), Conditions(stopped=True))  # nothing else falls into the sump then
    assert 0 < train.sump.stock.water < train.press.flow / 60
    assert train.sump.stock.water + train.press.cake.water == pytest.approx(train.press.flow / 60)


def test_salt_of_the_shipped_skids():
    """Common practice, no source: produced water holds 20 to 250 g/L of dissolved solids."""
    for name in ("calm", "long-trains"):
        for skid in load_scenario(name).fleet.skids:
            assert 20 <= skid.water.tds / 1000 <= 250, (name, skid.id)
