"""Water and oil neither appear nor vanish, whatever happens to the plant."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator import load_scenario
from simulator.build import build_train
from simulator.plant.conditions import Conditions
from simulator.plant.train import FeedNow
from simulator.scenario import Plant
from skidhand.fleet import skid_view

VIEWS = [skid_view(skid) for skid in load_scenario("demo").fleet.skids]

conditions = st.builds(
    Conditions,
    inflow=st.floats(0, 2.5),
    setpoint=st.floats(0.2, 1.5),
    oil=st.floats(0, 6),
    reject_area=st.floats(0, 1),
    reject_back_pressure=st.floats(0, 1),
    wash_strength=st.floats(0.5, 1),
    stopped=st.booleans(),
    wash=st.booleans(),
)


@settings(max_examples=15, deadline=None)
@given(st.sampled_from(VIEWS), st.lists(st.tuples(conditions, st.integers(5, 90)), min_size=1, max_size=4))
def test_water_and_oil_balance(view, spells):
    """What came in less what went out is what is held, to rounding, through stops, washes, overflow and slugs."""
    train, normal = build_train(view, Plant(run_hours=6, run_started=0.5), seed=1)
    water0, oil0 = train.held()
    book = train.ledger
    start = (book.water_in - book.water_out - water0, book.oil_in - book.oil_out - oil0)
    for now, minutes in spells:
        feed = FeedNow(normal.inflow * now.inflow, normal.wanted * now.setpoint, normal.oil * now.oil, 20, 25, 20)
        for _ in range(minutes):
            train.step(feed, now)
    water, oil = train.held()
    assert book.water_in - book.water_out - water == pytest.approx(start[0], abs=1e-6)
    assert book.oil_in - book.oil_out - oil == pytest.approx(start[1], rel=1e-6, abs=1e-2)
    assert water >= 0
    assert oil >= 0


def test_the_ledger_is_not_empty():
    """The balance above compares real throughput: in its run-in of 8 h a train has passed its design flow."""
    train, normal = build_train(VIEWS[0], Plant(), seed=1)
    assert train.ledger.water_in == pytest.approx(8 * normal.inflow, rel=1e-6)
    assert train.ledger.oil_out > 0
