"""Water, oil, solids and salt neither appear nor vanish, whatever happens to the plant."""

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from simulator import load_scenario
from simulator.build import build_train
from simulator.faults import FAULTS
from simulator.plant.conditions import Conditions
from simulator.plant.train import FeedNow
from simulator.plant_file import Plant
from skidhand.fleet import skid_view

SKIDS = {s.id: s for name in ("demo", "long-trains") for s in load_scenario(name).fleet.skids}
CHANGING = sorted(name for name, fault in FAULTS.items() if fault.change is not None)

conditions = st.lists(st.tuples(st.sampled_from(CHANGING), st.floats(0.1, 2)), max_size=4)
KINDS = ("water", "oil", "solids", "salt")


def built(skid):
    """A train half way through a filter run, and its normal feed."""
    return build_train(skid, skid_view(skid), Plant(run_hours=6, run_started=0.5), seed=1)


def acting(struck):
    """Conditions under all of the faults of ``struck`` at their strength, on every unit alike."""
    now = Conditions()
    for name, strong in struck:
        FAULTS[name].change(now, strong, 3.0)
    return now


def balance(train):
    """What came in, less what went out, less what is held; and how much passed, for the tolerance."""
    held = train.held()
    return {
        kind: (
            getattr(train.came, kind) - getattr(train.left, kind) - getattr(held, kind),
            getattr(train.came, kind) + getattr(held, kind),
        )
        for kind in KINDS
    }


@settings(max_examples=14, deadline=None)
@given(st.sampled_from(sorted(SKIDS)), st.lists(st.tuples(conditions, st.integers(5, 90)), min_size=1, max_size=3))
@example("mr-three", [([("salinity-change", 1.0), ("membrane-damage", 1.0), ("backwash-cycling", 1.0)], 15)])
def test_everything_balances(skid, spells):
    """In less out is held, to 1e-10 of what passed, through every fault, stops, washes, overflow and slugs."""
    train, normal = built(SKIDS[skid])
    before = balance(train)
    for struck, minutes in spells:
        now = acting(struck)
        feed = FeedNow(
            normal.inflow * now.inflow, normal.wanted * now.setpoint, normal.oil * now.oil,
            normal.solids * now.solids, max(1.0, 25 + now.temperature), 20 + now.ambient, 0.7,
        )  # fmt: skip
        for _ in range(minutes):
            train.step(feed, now)
    held = train.held()
    for kind, (off, passed) in balance(train).items():
        assert off == pytest.approx(before[kind][0], abs=1e-10 * passed), kind
        assert getattr(held, kind) >= -1e-9, kind


def test_the_ledger_is_not_empty():
    """The balance above compares real throughput: in its run-in of 8 h a train has passed its design flow."""
    skid = next(iter(SKIDS.values()))
    train, normal = build_train(skid, skid_view(skid), Plant(), seed=1)
    assert train.came.water == pytest.approx(8 * normal.inflow, rel=1e-6)
    assert train.left.oil > 0
    assert train.left.salt == pytest.approx(90 * train.left.water, rel=0.01)
