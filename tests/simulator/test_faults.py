"""Each fault and look-alike moves what its page says, and nothing that it says it leaves alone."""

import re
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from simulator import truth_of
from simulator.faults import FAULTS, strength
from simulator.faults.base import Fault, register
from simulator.faults.numbers import NUMBERS
from skidhand.model.kinds import KINDS, cause_class
from skidhand.unit_types.hydrocyclone import pressure_drop_ratio
from tests.simulator.story import States, scenario


def test_every_fault_is_described_and_leads_to_a_known_finding():
    """A line of description each; kinds and causes are those that findings know; look-alikes blame no equipment."""
    for fault in FAULTS.values():
        assert len(fault.about) > 30, fault.name
        assert fault.kind is None or fault.kind in KINDS, fault.name
        assert fault.lookalike or fault.kind is not None, fault.name
        if fault.kind and fault.cause:
            assert fault.cause in dict(KINDS[fault.kind].causes), fault.name
        if fault.lookalike and fault.kind:
            assert cause_class(fault.kind, fault.cause) != "equipment", fault.name


def test_the_numbers_in_the_docs_name_faults_and_look_alikes_on_the_right_side():
    """1 to 20 are faults, L1 to L15 look-alikes, each number once, as --list has them, and each name registered."""
    page = (Path(__file__).parents[2] / "docs" / "simulator.md").read_text(encoding="utf-8")
    rows = [
        [c.strip() for c in line.strip("|").split("|")] for line in page.splitlines() if re.match(r"\| \d+ \|", line)
    ]
    assert [row[0] for row in rows] == [str(n) for n in range(1, 21)]
    assert [row[3] for row in rows if row[3]] == [f"L{n}" for n in range(1, 16)]
    cells = [(no, names.split(" with ")[0]) for row in rows for no, names in (row[:2], row[3:5])]
    told = {name: no for no, names in cells for name in re.findall("`(.+?)`", names)}
    assert told == NUMBERS
    for row in rows:
        assert not any(FAULTS[name].lookalike for name in re.findall("`(.+?)`", row[1]) if name != "comms-outage"), row
        assert all(FAULTS[name].lookalike for name in re.findall("`(.+?)`", row[4])), row


def test_two_faults_cannot_share_a_name():
    """A second fault of one name would hide the first."""
    with pytest.raises(ValueError, match="oil-slug"):
        register(Fault(name="oil-slug", about="another", strikes="plant"))


def test_strength_over_time():
    """A step stands for its duration, a ramp grows to its end, stairs rise one by one, a slow step comes and goes."""
    step = Fault("s", "", "plant")
    ramp = Fault("r", "", "plant", shape="ramp")
    stairs = Fault("t", "", "plant", shape="stairs")
    slow = Fault("w", "", "plant", rise_hours=1.0)
    places = (0.1, 0.3, 0.5, 0.9)
    assert [strength(step, h, 4, 0.8, ()) for h in (-0.1, 0, 3.9, 4)] == [0, 0.8, 0.8, 0]
    assert strength(ramp, 3, 4, 1, ()) == 0.75
    assert [strength(stairs, h, 10, 1, places) for h in (0, 1, 3, 5, 9)] == [0, 0.25, 0.5, 0.75, 1]
    assert [strength(slow, h, 4, 1, ()) for h in (0, 0.5, 2, 4.5, 5)] == [0, 0.5, 1, 0.5, 0]


def test_plugged_reject_ports_halve_the_split_and_leave_the_ratio(tmp_path):
    """Qr = Cr A √(Pin − Prej): with half of the area half of the reject flows, at the same pressures."""
    states = States(scenario(tmp_path, [{"event": "reject-ports-plugging", "at": 2, "hours": 10}], hours=14))
    flow, reject = "hydrocyclone.inlet_flow", "hydrocyclone.reject_flow"
    split = [states.mean(reject, *at) / states.mean(flow, *at) for at in ((1, 2), (11.5, 12), (12.5, 14))]
    assert split[1] == pytest.approx(split[0] / 2, rel=0.02)
    assert split[2] == pytest.approx(split[0], rel=0.02)
    assert states.drop_ratio(11.5, 12) == pytest.approx(states.drop_ratio(1, 2), rel=0.02)
    assert states.mean("hydrocyclone.outlet_oil", 11, 12) > 1.4 * states.mean("hydrocyclone.outlet_oil", 1, 2)


def test_reject_back_pressure_lowers_ratio_and_split_together(tmp_path):
    """By √(1.2/1.7) the reject falls 16 % when the ratio falls from 1.7 to 1.2."""
    states = States(scenario(tmp_path, [{"event": "reject-back-pressure", "at": 3, "hours": 3}], hours=6))
    assert states.drop_ratio(2, 3) == pytest.approx(1.7, abs=0.03)
    assert states.drop_ratio(4, 6) == pytest.approx(1.2, abs=0.03)
    change = states.mean("hydrocyclone.reject_flow", 4, 6) / states.mean("hydrocyclone.reject_flow", 2, 3)
    assert change == pytest.approx(np.sqrt(1.2 / 1.7), rel=0.02)


def test_a_slug_raises_level_then_oil_then_the_filters_slope(tmp_path):
    """Inflow +60 % for 20 min: level, then tank and cyclone oil rise, the bed fouls faster, and all goes back."""
    states = States(scenario(tmp_path, [{"event": "oil-slug", "at": 8, "hours": 0.34}], hours=14))
    assert states.mean("weir_tank.inlet_flow", 8.05, 8.3) == pytest.approx(
        1.6 * states.mean("weir_tank.inlet_flow", 7, 8), rel=0.05
    )
    assert states["weir_tank.level"][480:510].max() > states.mean("weir_tank.level", 7, 8) + 0.15
    tank = states["weir_tank.outlet_oil"]
    assert tank[480:540].max() > 2.5 * states.mean("weir_tank.outlet_oil", 7, 8)
    assert states["hydrocyclone.outlet_oil"][480:540].max() > 2 * states.mean("hydrocyclone.outlet_oil", 7, 8)
    assert states.mean("weir_tank.outlet_oil", 12, 14) < 1.3 * states.mean("weir_tank.outlet_oil", 7, 8)
    rise = np.diff([states.mean("media_filter.dp", h - 0.2, h) for h in (6, 8, 10)])
    assert rise[1] > 1.5 * rise[0]


def test_a_flow_step_moves_drops_with_the_flow_and_no_resistance(tmp_path):
    """Flow +30 %: the media drop rises at once by about that, the reject with the root of its driving pressure."""
    states = States(scenario(tmp_path, [{"event": "flow-step", "at": 4, "hours": 2}], hours=6), hours=6)
    flow = states["media_filter.flow"][250] / states["media_filter.flow"][238]
    drop = states["media_filter.dp"][250] / states["media_filter.dp"][238]
    assert flow == pytest.approx(1.3, abs=0.05)
    assert flow < drop < flow**1.25 * 1.03
    assert states.drop_ratio(4.2, 6) < 1.7


def test_cold_feed_raises_the_drop_by_the_viscosity(tmp_path):
    """15 °C colder: the bed's drop rises with the viscosity and no faster than a resistance of its own explains."""
    cold = States(scenario(tmp_path, [{"event": "cold-feed", "at": 2, "hours": 10}], hours=10))
    warm = States(scenario(tmp_path, [], hours=10))
    temperature = cold.mean("weir_tank.temperature", 9, 10)
    assert temperature == pytest.approx(warm.mean("weir_tank.temperature", 9, 10) - 15, abs=0.6)
    brine = cold.plant.train.brine
    viscosity = brine.at(temperature)[1] / brine.at(warm.mean("weir_tank.temperature", 9, 10))[1]
    drop = cold.mean("media_filter.dp", 9, 10) / warm.mean("media_filter.dp", 9, 10)
    assert drop == pytest.approx(viscosity, rel=0.12)
    assert cold.mean("weir_tank.level", 9, 10) == pytest.approx(warm.mean("weir_tank.level", 9, 10), abs=0.03)


def test_a_shutdown_leaves_no_flow_no_drop_and_no_ratio(tmp_path):
    """Stopped: flow and drops are zero, the drop ratio is 0/0, and the same resistance is there afterwards."""
    states = States(scenario(tmp_path, [{"event": "shutdown", "at": 5, "hours": 1}], hours=7))
    stop = slice(5 * 60 + 2, 6 * 60 - 2)
    for name in ("media_filter.flow", "media_filter.dp", "feed_pump.flow", "skid.running"):
        assert (states[name][stop] == 0).all(), name
    ratio = pressure_drop_ratio(*(states[f"hydrocyclone.{r}_pressure"][stop] for r in ("inlet", "outlet", "reject")))
    assert np.isnan(ratio).all()
    assert states.mean("media_filter.dp", 6.2, 6.4) == pytest.approx(states.mean("media_filter.dp", 4.8, 5), rel=0.08)


def test_a_strainer_blinds_and_is_cleaned(tmp_path):
    """45 % of the area lost makes the drop (1/0.55)² = 3.3 times; cleaning brings it back."""
    story = [
        {"event": "strainer-blinding", "at": 2, "hours": 10},
        {"event": "strainer-cleaned", "at": 12, "hours": 0.1},
    ]
    states = States(scenario(tmp_path, story, hours=14))
    clean = states.mean("strainer.dp", 1, 2)
    assert states.mean("strainer.dp", 11.9, 12) == pytest.approx(3.3 * clean, rel=0.1)
    assert states.mean("strainer.dp", 12.5, 13) == pytest.approx(clean, rel=0.05)


def test_weak_washes_step_the_clean_resistance_up(tmp_path):
    """Washes within the fault's window leave more behind each time; one before it does not."""
    story = [{"event": "incomplete-backwash", "at": 8, "hours": 30}]
    states = States(scenario(tmp_path, story, hours=36, plant={"run_hours": 7}))
    after = [wash.resistance_after for wash in states.plant.washes]
    inside = [wash.resistance_after for wash in states.plant.washes if wash.start >= 8 * 60]
    assert after[0] < 1.05
    assert len(inside) >= 3
    assert inside[0] > 1.1
    assert (np.diff(inside) > 0.05).all()


def test_a_scheduled_wash_comes_when_it_was_asked_for(tmp_path):
    """A wash by the calendar starts in that minute although the drop is far from terminal."""
    states = States(scenario(tmp_path, [{"event": "scheduled-backwash", "at": 3, "hours": 0.05}], hours=5))
    assert [wash.start for wash in states.plant.washes] == [180]
    assert states["media_filter.backwash"][180:190].all()
    assert states["media_filter.backwash"].sum() == 10


# What follows are signatures that a practised engineer expects (common practice, no source), each of the whole plant.


def moved(folder, event, name, *, skid="tf-skid-1", hours=4.0, at=2.0, read=(3.0, 4.0), **fields):
    """Mean of a state while a fault acts, over its mean just before it."""
    story = [{"event": event, "at": at, "hours": hours, **fields}]
    states = States(scenario(folder, story, skid=skid, hours=read[1]), skid)
    return states.mean(name, *read) / states.mean(name, at - 0.5, at)


def test_worn_liners_drop_less_at_equal_flow(tmp_path):
    """15 % less pressure drop at the end of the wear, and more oil in the water."""
    story = [{"event": "liner-wear", "at": 1, "hours": 6}]
    states = States(scenario(tmp_path, story, hours=7))
    drop = (states["hydrocyclone.inlet_pressure"] - states["hydrocyclone.outlet_pressure"]) / states[
        "hydrocyclone.inlet_flow"
    ] ** 2
    assert drop[-10:].mean() / drop[30:60].mean() == pytest.approx(0.85, abs=0.02)
    assert states.mean("hydrocyclone.outlet_oil", 6.5, 7) > 1.3 * states.mean("hydrocyclone.outlet_oil", 0.5, 1)


def test_plugged_inlets_raise_the_drop_and_lower_the_ratio_and_the_reject(tmp_path):
    """A quarter of the liners shut: the others take their flow; ratio towards 1, reject about −10 %."""
    states = States(scenario(tmp_path, [{"event": "inlet-plugging", "at": 2, "hours": 10}], hours=12))
    assert states.drop_ratio(11.5, 12) == pytest.approx(1.4, abs=0.06)
    assert (
        0.85 < states.mean("hydrocyclone.reject_flow", 11.5, 12) / states.mean("hydrocyclone.reject_flow", 1, 2) < 0.97
    )


def test_a_worn_stator_turns_faster_for_the_same_flow(tmp_path):
    """12 % more speed at equal flow by the end of the wear."""
    states = States(scenario(tmp_path, [{"event": "stator-wear", "at": 1, "hours": 6}], hours=7))
    speed = states["feed_pump.speed"] / states["feed_pump.flow"]
    assert speed[-10:].mean() / speed[30:60].mean() == pytest.approx(1.12, abs=0.02)


def test_a_starved_pump_heats_its_stator(tmp_path):
    """Suction gone: no flow, the current dips and then rises, the stator gains 1 °C a minute."""
    states = States(scenario(tmp_path, [{"event": "dry-running", "at": 2, "hours": 0.5}], hours=2.5))
    stator, current = states["feed_pump.stator_temperature"], states["feed_pump.motor_current"]
    assert states["feed_pump.flow"][125:149].max() < 0.05 * states["feed_pump.flow"][118]
    assert stator[145] - stator[125] == pytest.approx(20, abs=1.5)
    assert current[121] < current[118] < current[149] + 5
    assert current[149] > current[121]


@pytest.mark.parametrize(
    ("event", "name", "low", "high"),
    [
        ("channelling", "media_filter.dp", 0.6, 0.9),
        ("channelling", "outlet.oil", 1.5, 5.0),
        ("breakthrough", "outlet.oil", 1.6, 6.0),
        ("underdrain-failure", "media_filter.dp", 0.2, 0.7),
        ("discharge-blocked", "feed_pump.discharge_pressure", 1.3, 3.0),
        ("upstream-shear", "hydrocyclone.outlet_oil", 1.3, 4.0),
        ("upstream-shear", "hydrocyclone.reject_flow", 0.95, 1.05),
        ("outlet-back-pressure", "hydrocyclone.reject_flow", 1.05, 1.5),
        ("tank-overload", "weir_tank.outlet_oil", 1.5, 6.0),
        ("unplanned-stop", "media_filter.flow", 0.0, 0.0),
        ("salinity-change", "media_filter.dp", 1.0, 1.4),
        ("low-inlet-flow", "hydrocyclone.inlet_flow", 0.25, 0.5),
    ],
)
def test_a_fault_moves_what_it_should(tmp_path, event, name, low, high):
    """Direction and size of the main sign of each, as a factor of the state before."""
    assert low <= moved(tmp_path, event, name) <= high


def test_a_missed_a_cycling_and_an_endless_wash(tmp_path):
    """Left in local the drop passes its limit; a low trigger washes again and again; a stuck valve never closes."""
    plant = {"run_hours": 8, "run_started": 0.5}
    missed = States(scenario(tmp_path, [{"event": "backwash-missed", "at": 1, "hours": 9}], skid="tf-skid-2",
                             hours=10, plant=plant), "tf-skid-2")  # fmt: skip
    assert missed.plant.washes == []
    assert missed["media_filter.dp"].max() > 13 * 6.894757 * 1.1
    often = States(scenario(tmp_path, [{"event": "backwash-cycling", "at": 1, "hours": 9}], skid="tf-skid-2",
                            hours=10, plant=plant), "tf-skid-2")  # fmt: skip
    assert len(often.plant.washes) >= 4
    story = [{"event": "scheduled-backwash", "at": 1, "hours": 0.05}, {"event": "backwash-stuck", "at": 1, "hours": 2}]
    stuck = States(scenario(tmp_path, story, hours=4))
    assert stuck["media_filter.backwash"].sum() > 110
    assert stuck["media_filter.backwash"][-30:].sum() == 0


def test_a_dry_pad_and_a_trip_move_the_level_opposite_ways(tmp_path):
    """No feed: the tank runs down to its low-level trip. A trip while the pad goes on: it fills."""
    empty = States(scenario(tmp_path, [{"event": "no-feed", "at": 1, "hours": 5}], hours=4))
    assert empty["weir_tank.level"].min() < 0.4
    assert empty["skid.running"][-30:].max() == 0
    full = States(scenario(tmp_path, [{"event": "unplanned-stop", "at": 1, "hours": 1}], hours=2))
    assert full["weir_tank.level"][-1] > full["weir_tank.level"][59] + 0.5
    assert full["skid.mode"].min() == 1


def test_a_tank_without_feed_empties_before_the_trip(tmp_path):
    """A finding of the tank that runs down is right from when the feed stops, of the stop from the trip on."""
    truth = truth_of(scenario(tmp_path, [{"event": "no-feed", "at": 1, "hours": 5}], hours=7), skids=1)
    onsets = {event.kind: event.onset for event in truth.events if event.event == "no-feed"}
    assert onsets["tank-emptying"] == truth.start + timedelta(hours=1)
    assert onsets["unplanned-stop"] > onsets["tank-emptying"]


def test_what_the_end_of_a_file_cuts_off_leaves_the_tank_that_runs_down(tmp_path):
    """Before the trip only the tank tells of a feed that stopped, and a finding of it is right."""
    truth = truth_of(scenario(tmp_path, [{"event": "no-feed", "at": 1, "hours": 5}], hours=1.5), skids=1)
    assert [(e.kind, e.required) for e in truth.events if e.event == "no-feed"] == [("tank-emptying", False)]


def test_a_wash_draws_no_more_than_its_tank_holds(tmp_path):
    """A wash valve that stuck open on a skid that was shut down: the tank is empty then, not less than empty."""
    story = [
        {"event": "backwash-stuck", "at": 1, "hours": 8, "unit": "filter-b"},
        {"event": "scheduled-backwash", "at": 2, "hours": 0.05, "unit": "filter-b"},
        {"event": "shutdown", "at": 2.2, "hours": 10},
    ]
    states = States(scenario(tmp_path, story, skid="mr-three", hours=9), "mr-three")
    assert 0.0 <= states["buffer_tank.level"].min() < 0.1
    assert states["outlet.oil"].min() >= 0.0
    assert states["buffer_tank.temperature"].min() > 0.0


def test_a_slug_that_shortens_a_run_is_its_cause(tmp_path):
    """What a bed holds decides: a run that a slug shortened by a fifth is the slug's, one without is fouling's."""
    story = [{"event": "oil-slug", "at": 4, "hours": 1}]
    truth = truth_of(scenario(tmp_path, story, hours=20, plant={"run_hours": 12, "oil": 2000}), skids=1)
    runs = [event.cause for event in truth.events if event.event == "filter-run"]
    assert runs[0] == "oil-slug"
    assert "fouling" in runs[1:]


def test_diverted_water_goes_round(tmp_path):
    """Nothing leaves and nothing comes, the pump runs on, and the tank keeps its level."""
    states = States(scenario(tmp_path, [{"event": "divert", "at": 1, "hours": 3}], hours=4))
    total, level = states["outlet.total"], states["weir_tank.level"]
    assert total[230] == pytest.approx(total[65])
    assert states["feed_pump.flow"][70:230].min() > 7
    assert level[230] == pytest.approx(level[59], abs=0.1)
