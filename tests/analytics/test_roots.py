"""Roots: upstream explains downstream in the water's time; one root a chain, and no cycles."""

from __future__ import annotations

from datetime import timedelta

from hypothesis import given
from hypothesis import strategies as st

from analytics.ledger import Ledger
from analytics.roots import RULES, roots
from analytics.segments import minute_of
from skidhand.model.finding import Finding, finding_id
from skidhand.model.kinds import KINDS
from tests.analytics.plant import T0, view
from tests.analytics.test_derived import TRAIN

SKID = view(TRAIN.replace("    water:", "      - {id: out, type: outlet, roles: {flow: FT-1}}\n    water:"))


def finding(kind, unit, onset, *, cause=None, ended=None, detected=None):
    """A finding with its times in minutes."""

    def at(minutes):
        return T0 + timedelta(minutes=minutes)

    return Finding(
        id=finding_id("sk-1", unit, kind, str(onset)), revision=1, state="open" if ended is None else "closed",
        kind=kind, site="s", skid="sk-1", unit=unit, run_key=str(onset), onset=at(onset),
        detected=at(onset + 5 if detected is None else detected), ended=None if ended is None else at(ended),
        severity="medium", confidence=0.9, cause=cause, cause_class="process", detector="t", detector_version=1,
        fleet_version="f", watermark=at(onset + 5),
    )  # fmt: skip


def test_a_chain_has_one_root():
    """Slug, then the cyclone, then the filter, then the outlet: all point at the tank."""
    tank = finding("oil-carry-over", "tank", 0)
    cyclone = finding("cyclone-efficiency-loss", "cyclone", 10)
    bed = finding("dp-rise", "bed", 60, cause="oil-slug")
    outlet = finding("off-spec", "out", 90)
    found = roots([outlet, bed, cyclone, tank], SKID)
    assert found == {tank.id: None, cyclone.id: tank.id, bed.id: tank.id, outlet.id: tank.id}


def test_fine_oil_from_an_emulsion_is_seen_before_its_layer():
    """A cyclone that loses two hours before the layer is dated is the emulsion's; four hours before it is its own."""
    layer = finding("rag-layer", "tank", 300)
    early, own = (finding("cyclone-efficiency-loss", "cyclone", at, cause="upstream-shear") for at in (180, 60))
    found = roots([layer, early, own], SKID)
    assert (found[early.id], found[own.id]) == (layer.id, None)


def test_only_what_fits_is_linked():
    """Another cause, upstream instead of downstream, before the root or long after its end: no link."""
    tank = finding("oil-carry-over", "tank", 100, ended=130)
    others = [
        finding("dp-rise", "bed", 110, cause="fouling"),
        finding("dp-rise", "bed", 20, cause="oil-slug"),
        finding("dp-rise", "bed", 130 + 6 * 60 + 1, cause="oil-slug"),
        finding("strainer-blinding", "tank", 120),
        finding("dp-rise", "nowhere", 120, cause="oil-slug"),
    ]
    assert set(roots([tank, *others], SKID).values()) == {None}
    inside = finding("dp-rise", "bed", 130 + 6 * 60, cause="oil-slug")
    assert roots([tank, inside], SKID)[inside.id] == tank.id


def test_what_is_over_keeps_its_root():
    """Looked at every half day: an effect over a day after its root keeps it, and both are forgotten."""
    tank = finding("oil-carry-over", "tank", 0, ended=60)
    outlet = finding("off-spec", "out", 90)
    ledger = Ledger(standing={tank.id: tank, outlet.id: outlet})
    for half_day in range(1, 9):
        ledger.link(SKID, minute_of(T0) + 720 * half_day)
        if half_day == 3:
            over = {"state": "closed", "ended": T0 + timedelta(minutes=30 * 60)}
            ledger.standing[outlet.id] = ledger.standing[outlet.id].model_copy(update=over)
    assert [f.root for f in ledger.revisions] == [tank.id]
    assert not ledger.standing


def test_a_cause_found_long_after_its_effect_is_over_changes_nothing():
    """What is closed for half a day is not told again."""
    bed = finding("dp-rise", "bed", 30, cause="oil-slug", ended=60)
    soon = finding("oil-carry-over", "tank", 0, detected=60 + 12 * 60)
    late = finding("oil-carry-over", "tank", 0, detected=60 + 12 * 60 + 1)
    assert roots([bed, soon], SKID)[bed.id] == soon.id
    assert roots([bed, late], SKID)[bed.id] is None


def test_the_nearest_cause_counts():
    """Of two slugs the later one that fits is the root."""
    first = finding("oil-carry-over", "tank", 0, ended=30)
    second = finding("oil-carry-over", "tank", 120, ended=150)
    bed = finding("dp-rise", "bed", 160, cause="oil-slug")
    assert roots([first, second, bed], SKID)[bed.id] == second.id


def test_rules_name_kinds_that_exist_and_never_run_in_a_circle():
    """Each rule's kinds are in the closed list, its causes are among the kind's, and no chain returns."""
    for rule in RULES:
        assert rule.cause in KINDS
        known = {cause for cause, _ in KINDS[rule.effect].causes} | {None}
        assert rule.causes is None or rule.causes <= known
    reach = {rule.cause: {r.effect for r in RULES if r.cause == rule.cause} for rule in RULES}
    for start in reach:
        seen, edge = set(), set(reach[start])
        while edge:
            kind = edge.pop()
            seen.add(kind)
            edge |= reach.get(kind, set()) - seen
        assert start not in seen


KINDS_ON = [("oil-carry-over", "tank"), ("split-drift", "cyclone"), ("cyclone-efficiency-loss", "cyclone"),
            ("breakthrough", "bed"), ("dp-rise", "bed"), ("off-spec", "out")]  # fmt: skip


@given(st.lists(st.tuples(st.sampled_from(KINDS_ON), st.integers(0, 300), st.booleans()), max_size=10, unique=True),
       st.randoms())  # fmt: skip
def test_roots_are_ends_of_chains_whatever_the_order(story, random):
    """A root has no root itself, and the order in which findings are given does not matter."""
    told = {f.id: f for (kind, unit), onset, over in story
            for f in [finding(kind, unit, onset, cause="oil-slug" if unit == "bed" else None,
                              ended=onset + 20 if over else None)]}  # fmt: skip
    found = roots(told.values(), SKID)
    assert found.keys() == told.keys()
    assert all(found[root] is None for root in found.values() if root is not None)
    shuffled = list(told.values())
    random.shuffle(shuffled)
    assert roots(shuffled, SKID) == found


def test_an_instrument_explains_what_reads_it():
    """A drifting analyser is the root of what its outlet is said to be, and of no other unit."""
    drift = finding("sensor-drift", "FT-1", 0)
    outlet = finding("spec-at-risk", "out", 90)
    assert roots([outlet, drift], SKID)[outlet.id] == drift.id
    other = finding("sensor-drift", "LT-2", 0)
    assert roots([outlet, other], SKID)[outlet.id] is None


def test_a_drifting_analyser_explains_what_a_bed_is_said_to_pass():
    """What a bed is said to pass rests on what it reads; an instrument of another unit explains nothing."""
    passes = finding("breakthrough", "bed", 90, cause="fouling")
    drift = finding("sensor-drift", "PDT-1", 0)
    assert roots([passes, drift], SKID)[passes.id] == drift.id
    other = finding("sensor-drift", "LT-2", 0)
    assert roots([passes, other], SKID)[passes.id] is None
