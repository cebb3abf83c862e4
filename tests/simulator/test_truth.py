"""The truth file says what the plant did."""

from datetime import timedelta

import pytest
from pydantic import ValidationError

from simulator import load_scenario, packaged_scenarios, truth_of
from simulator.truth import read_truth, write_truth
from skidhand.errors import InputFileError
from skidhand.model.truth import TruthEvent
from tests.simulator.story import SEED, States, scenario

OWN = ("filter-run", "wash-return")  # what a plant does without any story


@pytest.fixture(scope="module")
def demo():
    """The demo scenario's truth."""
    return truth_of(load_scenario("demo"))


def test_the_demo_plants_what_it_promises(demo):
    """Runs on every skid, both reject faults, a slug, and look-alikes that blame no equipment."""
    runs = {event.skid for event in demo.events if event.kind == "dp-rise"}
    assert runs == set(demo.skids)
    causes = {(event.kind, event.cause) for event in demo.events if not event.lookalike}
    assert {
        ("split-drift", "reject-plugging"),
        ("split-drift", "reject-back-pressure"),
        ("oil-carry-over", "slug"),
    } <= causes
    alike = {event.event for event in demo.events if event.lookalike}
    assert alike == {"flow-step", "cold-feed", "sensor-freeze", "analyser-fouling", "comms-outage", "shutdown"}
    assert all(event.cause_class != "equipment" for event in demo.events if event.lookalike)


def test_the_demos_first_day_is_quiet(demo):
    """Nothing but filter runs begins in the first 24 h, so that baselines can be learnt."""
    early = {e.event for e in demo.events if e.onset < demo.start + timedelta(hours=24)}
    assert early == {"filter-run", "wash-return"}


def test_events_are_in_order_and_their_times_make_sense(demo):
    """Onset, knowable, too late and end follow each other, and what is required was due before the end."""
    assert [e.onset for e in demo.events] == sorted(e.onset for e in demo.events)
    for event in demo.events:
        assert event.onset < demo.end, event.id
        if event.kind:
            assert event.onset <= event.knowable, event.id
        if event.required and event.kind:
            assert event.knowable <= event.too_late <= demo.end, event.id
        assert event.ended is None or event.onset <= event.ended <= demo.end, event.id


def test_what_still_goes_on_has_not_ended(demo):
    """The runs that the end of the file cuts are there, without an end, and nobody need have called them."""
    going = [e for e in demo.events if e.ended is None]
    assert all(not e.required for e in going if e.event == "filter-run")
    assert len({e.skid for e in going if e.event == "filter-run"}) == len([e for e in going if e.event == "filter-run"])
    finished = [e for e in demo.events if e.event == "filter-run" and e.ended is not None]
    assert all(e.required for e in finished)


def test_oil_that_comes_back_with_wash_water_is_told(demo):
    """Only skid 3 has no cyclone, so only its bed catches enough to be seen at the tank when it is washed."""
    returns = [e for e in demo.events if e.event == "wash-return"]
    washed = [w.start for w in demo.backwashes if w.skid == "tf-skid-3"]
    assert [e.onset for e in returns] == washed
    assert {(e.skid, e.kind, e.cause, e.required) for e in returns} == {
        ("tf-skid-3", "oil-carry-over", "own-return", False)
    }


def test_plugging_begins_with_its_first_stair(tmp_path):
    """Its onset is the minute in which the reject flow first falls, not when the story begins."""
    played = scenario(tmp_path, [{"event": "reject-ports-plugging", "at": 2, "hours": 10}], hours=13)
    event = next(e for e in truth_of(played, skids=1, seed=SEED).events if e.event != "filter-run")
    reject = States(played)["hydrocyclone.reject_flow"]
    at = round((event.onset - played.start) / timedelta(minutes=1))
    assert at > 120
    assert reject[at + 1] == pytest.approx(reject[at - 1] * 0.875, rel=0.02)


def test_each_wash_is_the_end_of_a_run(demo):
    """Every wash of a fouled bed ends a dp-rise event on its unit, at the terminal drop or just before."""
    limits = {"tf-skid-1": 12 * 6.894757, "tf-skid-2": 13 * 6.894757, "tf-skid-3": 80.0}
    for wash in demo.backwashes:
        run = next(e for e in demo.events if e.skid == wash.skid and e.too_late == wash.start)
        assert (run.kind, run.unit, run.ended) == ("dp-rise", wash.unit, wash.end)
        assert wash.dp_before == pytest.approx(limits[wash.skid], rel=0.1)
        assert wash.resistance_after < 1.1


def test_truth_agrees_with_the_states(tmp_path):
    """A wash in the truth is where the noise-free state of the valve says washing."""
    played = scenario(tmp_path, [{"event": "scheduled-backwash", "at": 2, "hours": 0.05}], hours=4)
    truth = truth_of(played, skids=1, seed=SEED)
    washing = States(played)["media_filter.backwash"]
    (wash,) = truth.backwashes
    first = round((wash.start - truth.start) / timedelta(minutes=1))
    last = round((wash.end - truth.start) / timedelta(minutes=1))
    assert washing[first:last].all()
    assert washing.sum() == last - first


def test_a_shorter_span_keeps_what_has_begun_and_asks_for_what_was_due(demo):
    """Cut at 56 h: what begins later is gone; what is too late only later stays, for a right early finding."""
    short = truth_of(load_scenario("demo"), hours=56, skids=2)
    assert short.skids == ("tf-skid-1", "tf-skid-2")
    told = {e.id for e in demo.events if e.skid in short.skids and e.onset < short.end}
    assert {e.id for e in short.events if e.event not in OWN} == {i for i in told if i.split("/")[1] not in OWN}
    asked = {e.event: e.required for e in short.events if e.event not in OWN and e.kind and e.cause != "overload"}
    assert asked == {
        "reject-back-pressure": True, "reject-ports-plugging": False, "oil-slug": True,
        "analyser-fouling": False, "comms-outage": True,
    }  # fmt: skip


def test_a_run_that_the_end_cuts_is_there_from_its_first_minute(tmp_path):
    """Whoever forecasts its wash is right, however little the bed holds by then; nobody need have."""
    played = scenario(tmp_path, [], hours=3)
    (run,) = truth_of(played, skids=1, seed=SEED).events
    assert (run.event, run.onset, run.required, run.ended) == ("filter-run", played.start, False, None)


def test_weak_washes_that_never_came_are_not_in_the_truth(tmp_path):
    """A fault of the wash leaves no trace while nobody washes: nothing can be known, so nothing is asked."""
    played = scenario(tmp_path, [{"event": "incomplete-backwash", "at": 1, "hours": 3}], hours=5)
    assert [e for e in truth_of(played, skids=1).events if e.event != "filter-run"] == []


@pytest.mark.parametrize("name", packaged_scenarios())
def test_every_packaged_scenario_can_be_played(name):
    """It loads, its first skids live their first hours and have a truth."""
    assert len(truth_of(load_scenario(name), hours=2, skids=2).skids) == 2


def test_a_truth_file_is_read_as_it_was_written(demo, tmp_path):
    """JSON and back gives the same truth; anything else is refused by name."""
    write_truth(demo, tmp_path / "truth.json")
    assert read_truth(tmp_path / "truth.json") == demo
    (tmp_path / "other.json").write_text('{"v": 2}', encoding="utf-8")
    with pytest.raises(InputFileError, match=r"other\.json: not a truth file of version 1"):
        read_truth(tmp_path / "other.json")


def test_an_event_of_an_unknown_kind_is_refused(demo):
    """Kinds are those of findings; a fault without a kind would never be scored."""
    fields = demo.events[0].model_dump()
    with pytest.raises(ValidationError, match="no finding kind 'dp-fall'"):
        TruthEvent(**{**fields, "kind": "dp-fall"})
    with pytest.raises(ValidationError, match="needs the kind"):
        TruthEvent(**{**fields, "kind": None})
