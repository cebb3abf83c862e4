"""Skids that fill one tank: volumes, stops, samples, truth and tickets."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pyarrow as pa
import pytest

from simulator import entries_of, generate, load_scenario, truth_of
from simulator.pad import pads
from simulator.payload import messages, sites
from simulator.plant.conditions import Conditions
from simulator.plant.site_tank import SiteTank, Water
from skidhand.errors import InputFileError
from skidhand.model.entry_kinds import Truck

NAME = "shared-tank"


@pytest.fixture(scope="module")
def played():
    """The packaged scenario."""
    return load_scenario(NAME)


@pytest.fixture(scope="module")
def lived(played):
    """Its pad with the states of 72 h."""
    (pad,) = pads(played, played.chosen(None), played.file.seed)
    return pad, pad.run(72 * 60)


def test_what_the_skids_deliver_is_in_the_tank_in_trucks_or_lost(lived):
    """Volumes balance to rounding; trucks take whole loads."""
    pad, (one, two, tank) = lived
    places = [plant.columns.index(("outlet", "flow")) for plant in pad.plants]
    delivered = sum(np.sum(rows[1:, place]) / 60.0 for rows, place in zip((one, two), places, strict=True))
    shared = pad.shared.tank
    begun = pad.shared.story.tank.start * shared.area * shared.height
    left = np.sum(tank[1:, 2]) / 60.0 + shared.lost
    inflow = np.sum(tank[1:, 1]) / 60.0
    assert shared.volume - begun == pytest.approx(inflow - left, abs=1e-8)
    assert inflow == pytest.approx(delivered, abs=1e-8)
    assert np.sum(tank[1:, 2]) / 60.0 >= len(shared.trucks) * shared.load - 1e-6


def test_a_full_tank_stops_both_skids_until_there_is_room(lived, played):
    """They stand while it is held up, and the truth calls it downstream-full on each."""
    pad, (one, two, _) = lived
    ((begin, end),) = pad.shared.held_up
    for plant, rows in zip(pad.plants, (one, two), strict=True):
        flow = rows[:, plant.columns.index(("outlet", "flow"))]
        assert (flow[begin + 5 : end] == 0.0).all()
        assert flow[end + 60] > 0.0
    events = [e for e in truth_of(played, hours=72).events if e.event == "shared-tank-full"]
    assert {(e.skid, e.kind, e.cause) for e in events} == {
        (skid, "unplanned-stop", "downstream-full") for skid in ("sh-one", "sh-two")
    }
    assert {e.onset - played.start for e in events} == {timedelta(minutes=begin)}


def test_a_full_tank_that_diverts_sends_the_water_back_and_stops_nobody(played):
    """Pumps go on, all water returns to the head and none comes into the tank until trucks have made room."""
    text = {"tank": {"start": 0.96, "load": 20, "call_at": 0.6, "when_full": "divert"},
            "story": [{"event": "treated-tank-filling", "at": 0, "hours": 5}]}  # fmt: skip
    diverting = replace(played, file=type(played.file).model_validate(
        {**played.file.model_dump(), "sites": {"sedge-2": text}}))  # fmt: skip
    (pad,) = pads(diverting, diverting.chosen(None), 1)
    *skids, tank = pad.run(8 * 60)
    ((begin, end),) = pad.shared.held_up
    assert begin < 5 * 60 < end
    assert (tank[begin + 2 : end, 1] == 0.0).all()
    for plant, rows in zip(pad.plants, skids, strict=True):
        state = {role: rows[:, plant.columns.index(("outlet", role))] for role in ("divert", "flow", "total")}
        assert (state["divert"][begin + 2 : end] == 1.0).all()
        assert (state["flow"][begin + 2 : end] > 0.0).mean() > 0.9  # but for washes
        assert np.ptp(state["total"][begin + 2 : end]) == 0.0
        assert state["divert"][end + 2] == 0.0
    assert not [e for e in truth_of(diverting, hours=8).events if e.event == "shared-tank-full"]


def test_the_truth_names_the_sites_that_speak_for_themselves(played):
    """Scoring takes findings about a shared tank though nothing ever happens to it; a fleet without one has none."""
    assert truth_of(played, hours=1).sites == ("sedge-2",)
    assert truth_of(load_scenario("calm"), hours=1, skids=1).sites == ()


def test_a_leak_shows_in_the_level_and_in_no_flow():
    """Equal flows in and out: the level falls by the leak alone."""
    tank = SiteTank(area=10.0, height=4.0, volume=20.0, pumped=6.0, load=20.0, call_at=3.9)
    now = Conditions(leak=0.05)
    for _ in range(60):
        tank.step(1 / 60, [Water(6.0, 1000.0, 50.0, 20.0)], now)
    assert tank.outflow == pytest.approx(6.0)
    assert 20.0 - tank.volume == pytest.approx(0.05 * 40.0)
    assert tank.lost == pytest.approx(2.0)


def test_the_tank_speaks_in_the_name_of_its_site(played):
    """Its samples go to skidhand/<site>/<site>/samples, and any cut into chunks gives the same rows."""
    whole, cut = (
        pa.concat_tables(c.samples for c in generate(played, hours=3, chunk_hours=h) if c.skid == "sedge-2")
        for h in (3, 0.37)
    )
    assert whole.equals(cut.combine_chunks()) or whole.to_pylist() == cut.to_pylist()
    assert {m.topic for m in messages(whole, sites(played.fleet))} == {"skidhand/sedge-2/sedge-2/samples"}
    assert set(whole["series"].to_pylist()) == {"sedge-2/LT-800", "sedge-2/FT-801"}


def test_each_truck_leaves_a_ticket(played):
    """As the logbook's own check wants it."""
    tickets = [e for e in entries_of(played, hours=12) if e.kind == "truck"]
    assert len(tickets) > 3
    assert all(Truck.model_validate(e.data).amount == 20.0 for e in tickets)
    assert len({e.data["ticket"] for e in tickets}) == len(tickets)


def test_a_story_for_a_site_without_a_tank_is_refused(tmp_path):
    """It would never be played."""
    text = "version: 1\nscenario: s\nfleet: tansy-flat\nstart: 2026-03-02T00:00:00Z\nhours: 1\nsites: {tansy-4: {}}\n"
    (tmp_path / "s.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(InputFileError, match="no site 'tansy-4' with a shared tank"):
        load_scenario(tmp_path / "s.yaml")
