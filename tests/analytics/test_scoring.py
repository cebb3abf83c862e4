"""Scoring by hand: every count from a story small enough to check by eye."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.scoring import score
from skidhand.model.finding import Finding, Forecast, finding_id
from skidhand.model.truth import Backwash, Truth, TruthEvent
from tests.analytics.plant import T0

HOUR = timedelta(hours=1)


def at(hours):
    """Hours after the start."""
    return T0 + hours * HOUR


def event(name, kind, onset, *, unit="cyclone", cause=None, ended=None, lookalike=False, too_late=None, required=True):
    """A truth event; knowable half an hour after its onset."""
    return TruthEvent(
        id=name, event=name, skid="sk-1", unit=unit, kind=kind, cause=cause, lookalike=lookalike, required=required,
        onset=at(onset), knowable=at(onset + 0.5), too_late=too_late and at(too_late),
        ended=None if ended is None else at(ended),
    )  # fmt: skip


def finding(kind, detected, *, unit="cyclone", cause=None, cls="equipment", **more):
    """A finding first told at ``detected`` hours."""
    return Finding(
        id=finding_id("sk-1", unit, kind, str(detected)), revision=1, state="open", kind=kind, site="s", skid="sk-1",
        unit=unit, run_key=str(detected), onset=at(detected - 0.2), detected=at(detected), severity="medium",
        confidence=0.9, cause=cause, cause_class=cls, detector="t", detector_version=1, fleet_version="f",
        watermark=at(more.pop("watermark", detected)), **more,
    )  # fmt: skip


def truth(*events, washes=()):
    """A truth of ten days for one skid."""
    return Truth(
        scenario="s", fleet="f", seed=1, start=T0, end=T0 + timedelta(days=10), skids=("sk-1",), events=events,
        backwashes=washes,
    )  # fmt: skip


def test_found_with_cause_and_delay():
    """Delay counts from onset and from when it could be known; the cause is compared."""
    told = score(
        [finding("split-drift", 12, cause="reject-plugging")],
        truth(event("e1", "split-drift", 10, cause="reject-plugging", too_late=20)),
    )
    (match,) = told.matches
    assert (told.found, told.missed, told.false, told.cause_right) == (1, 0, 0, 1)
    assert (match.delay_min, match.delay_knowable_min, match.in_time, match.cause_right) == (120, 90, True, True)


def test_missed_false_and_wrong_cause():
    """Another unit, another kind, or long after the end do not answer an event."""
    told = score(
        [
            finding("split-drift", 12, unit="other"),
            finding("oil-carry-over", 12),
            finding("split-drift", 40),
            finding("pump-slip", 50, unit="pump", cause="hot-feed", cls="process"),
        ],
        truth(
            event("e1", "split-drift", 10, ended=12),
            event("e2", "pump-slip", 49, unit="pump", cause="stator-wear"),
        ),
    )
    assert (told.found, told.missed, told.false, told.cause_right) == (1, 1, 3, 0)
    assert told.false_per_skid_month == pytest.approx(3 / (10 / 30.4375))
    assert {k.kind: (k.events, k.found, k.false) for k in told.kinds} == {
        "oil-carry-over": (0, 0, 1), "pump-slip": (1, 1, 0), "split-drift": (1, 0, 2),
    }  # fmt: skip


def test_a_finding_about_a_sites_own_tank_counts():
    """A false call about it is false though no event names the site; of a place that was not simulated, nothing is."""
    told = finding("tank-balance", 12, unit="tank").model_copy(update={"skid": "site-1"})
    quiet = truth(event("e1", "split-drift", 10))
    assert score([told], quiet).false == 0
    assert score([told], quiet.model_copy(update={"sites": ("site-1",)})).false == 1


def test_pairs_are_one_to_one_and_as_many_as_can_be():
    """Two events in a row and two findings: each answers one, though the second finding fits both."""
    told = score(
        [finding("split-drift", 11), finding("split-drift", 14)],
        truth(event("e1", "split-drift", 10, ended=12), event("e2", "split-drift", 13, ended=16)),
    )
    assert [m.delay_min for m in told.matches] == [60, 60]
    assert told.false == 0


def test_a_repeat_and_a_consequence_are_not_false():
    """A second finding about one event, and one whose root answers an event, count as neither."""
    first = finding("oil-carry-over", 11, unit="tank")
    told = score(
        [first, finding("oil-carry-over", 12, unit="tank"), finding("off-spec", 12, unit="outlet", root=first.id)],
        truth(event("e1", "oil-carry-over", 10, unit="tank", ended=12)),
    )
    assert (told.found, told.false) == (1, 0)


def test_a_lookalike_taken_for_equipment_is_a_violation():
    """Only findings of class equipment violate; one of the instrument that the look-alike names answers it."""
    lens = event("l1", "sensor-drift", 10, unit=None, lookalike=True, ended=20)
    quiet = event("l2", None, 30, unit=None, lookalike=True, ended=40)
    told = score(
        [
            finding("sensor-drift", 12, unit="AT-1", cls="instrument"),
            finding("split-drift", 33),
            finding("oil-carry-over", 33, unit="tank", cls="process"),
        ],
        truth(lens, quiet),
    )
    assert (told.found, told.false, told.lookalike_violations) == (1, 2, 1)
    assert {c.during for c in told.false_calls} == {"l2"}


def test_late_findings_count_from_when_they_were_told():
    """What was found only in late data was told when those were in."""
    told = score([finding("split-drift", 11, late=True, watermark=30)], truth(event("e1", "split-drift", 10)))
    assert told.matches[0].delay_min == 20 * 60


def test_forecasts_are_judged_by_the_washes():
    """Each wash wants a call in its own run; notice and error come from the run's first call."""

    def wash(start):
        return Backwash(
            skid="sk-1", unit="filter", by="person", start=at(start), end=at(start + 0.3), dp_before=80,
            resistance_before=4, resistance_after=1,
        )  # fmt: skip

    def call(detected, when):
        expected = Forecast(what="terminal drop", when=at(when), low=at(when - 1), high=at(when + 1))
        return finding("dp-rise", detected, unit="filter", cls="operation", forecast=expected)

    run = event("run", "dp-rise", 0, unit="filter", ended=20.3, too_late=20)
    told = score([call(16, 21), call(19, 20.5), call(100, 120)], truth(run, washes=(wash(20), wash(40), wash(60))))
    w = told.washes
    assert (w.washes, w.forewarned, w.unborne) == (3, 1, 1)
    assert (w.median_notice_h, w.median_error_h) == (pytest.approx(4.0), pytest.approx(1.0))
    assert (told.found, told.false) == (1, 1)


def test_what_need_not_be_found_is_never_missed():
    """An optional event counts only when found, and never takes a finding from one that is required."""
    optional = event("o", "split-drift", 10.9, ended=13, required=False)
    alone = score([], truth(optional))
    assert (alone.events, alone.found, alone.missed) == (0, 0, 0)
    both = score([finding("split-drift", 11)], truth(optional, event("r", "split-drift", 8, ended=11.5)))
    assert (both.events, both.found, both.missed) == (1, 1, 0)
    assert {m.event: m.found for m in both.matches} == {"o": False, "r": True}


@given(
    st.lists(st.tuples(st.sampled_from(["split-drift", "pump-slip"]), st.integers(0, 200)), max_size=6),
    st.lists(st.tuples(st.sampled_from(["split-drift", "pump-slip"]), st.integers(0, 200)), max_size=6, unique=True),
)
def test_counts_add_up(events, findings):
    """Found and missed make all events; no finding answers two; order of the findings does not matter."""
    true = truth(*(event(f"e{i}", kind, onset, ended=onset + 1) for i, (kind, onset) in enumerate(events)))
    said = [finding(kind, detected) for kind, detected in findings]
    told = score(said, true)
    assert told.found + told.missed == len(events)
    answers = [m.finding for m in told.matches if m.found]
    assert len(answers) == len(set(answers))
    assert told.false + told.found <= len(said)
    other = score(said[::-1], true)
    assert (other.found, other.false) == (told.found, told.false)
    assert type(told).model_validate_json(told.model_dump_json()) == told
