"""Findings to prompts: one root, one prompt, one message; what changes, moves, returns and comes back."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import timedelta
from uuid import UUID

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import delete

from skidhand.logbook import Logbook
from skidhand.logbook.tables import metadata
from skidhand.model.finding import Finding
from tests.alerts.conftest import Scene
from tests.alerts.helpers import MORNING, NIGHT, NOON, dp_rise, finding, revised

HOUR = timedelta(hours=1)


def test_a_finding_becomes_one_prompt_and_one_message(scene):
    """A new finding raises a prompt, tells the first of the duty once, and leaves the inbox."""
    done = scene.see(dp_rise())
    prompt = scene.only()
    assert (done.findings, done.raised, done.queued, done.outcome["sent"]) == (1, 1, 1, 1)
    assert (prompt.state, prompt.kind, prompt.priority, prompt.route) == (
        "unacknowledged", "backwash", "medium", "phone",
    )  # fmt: skip
    assert prompt.title == "filter-a backwash about 18:40 (17:50-19:30), dP 8.1 of 12 psi"
    assert [(d.person, d.address, d.state, d.sent) for d in scene.logbook.prompts.deliveries()] == [
        ("robin", "+15550100001", "sent", NOON)
    ]
    assert f"Answer {prompt.code}" in scene.phone.texts[0]
    assert scene.logbook.prompts.inbox_depth() == 0
    assert scene.run(NOON + HOUR).findings == 0
    assert len(scene.phone.sent) == 1


def test_a_prompt_goes_with_its_skid_to_the_new_site(scene):
    """A finding whose next revision is of another site, because the skid was moved, takes its prompt there."""
    first = finding("oil-carry-over", "weir-tank")
    scene.see(first)
    assert scene.only().site == "tansy-4"
    scene.see(revised(first, site="sorrel-2"), at=NOON + HOUR)
    assert scene.only().site == "sorrel-2"


def test_one_root_is_one_prompt_that_grows(scene):
    """An upset that runs through tank, cyclone and filter is one prompt; the root comes first in its title."""
    root = finding("oil-carry-over", "weir-tank", cause="slug")
    split = finding("split-drift", "cyclone", root=root.id, onset=NOON + HOUR)
    rise = dp_rise(root=split.id, onset=NOON + 2 * HOUR)
    scene.see(root)
    scene.see(split, rise, at=NOON + 2 * HOUR)
    prompt = scene.only()
    assert set(prompt.findings) == {root.id, split.id, rise.id}
    assert prompt.title.startswith("weir-tank oil carry-over")
    assert "+2 more" in prompt.title
    assert len(scene.phone.sent) == 1


def test_children_that_come_before_their_root_wait_for_it(scene):
    """Whatever the order, also in one commit: the root finds its place taken in its children's prompt."""
    root = finding("oil-carry-over", "weir-tank")
    scene.see(finding("split-drift", "cyclone", root=root.id), dp_rise(root=root.id), root)
    assert len(scene.only().findings) == 3
    assert scene.only().title.startswith("weir-tank")
    assert len(scene.phone.sent) == 1


def test_a_root_found_later_joins_two_prompts(scene):
    """When a revision says that one thing caused the other, the older prompt stays and the other refers to it."""
    rise, split = dp_rise(), finding("split-drift", "cyclone")
    scene.see(rise)
    older = scene.only()
    scene.see(split, at=NOON + HOUR)
    scene.see(revised(rise, root=split.id), at=NOON + 2 * HOUR)
    prompts = scene.logbook.prompts
    (kept,) = prompts.open()
    assert kept.id == older.id
    assert set(kept.findings) == {rise.id, split.id}
    (gone,) = [p for p in prompts.all() if p.id != kept.id]
    assert prompts.history(gone.id)[-1].why == f"one root with prompt {kept.code}"
    assert prompts.of_finding(split.id).id == kept.id
    assert len(scene.phone.sent) == 2


def test_another_skids_root_is_another_prompt(scene):
    """Prompts never span skids: the people and the place differ."""
    other = finding("dp-rise", "filter-a", skid="tf-skid-2")
    scene.see(other, finding(root=other.id))
    assert {p.skid for p in scene.logbook.prompts.open()} == {"tf-skid-1", "tf-skid-2"}


def test_a_superseded_finding_moves_without_a_word(scene):
    """Its successor takes over the prompt, in the same commit or later; nobody is told again."""
    before = finding("cyclone-efficiency-loss", "cyclone", severity="high")
    after = finding("split-drift", "cyclone", severity="high")
    scene.see(before)
    scene.see(after, revised(before, state="superseded", superseded_by=after.id), at=NOON + HOUR)
    prompt = scene.only()
    assert set(prompt.findings) == {before.id, after.id}
    assert prompt.title.startswith("cyclone split drift")
    assert len(scene.phone.sent) == 1


def test_a_successor_that_was_told_already_takes_the_old_prompts_place(scene):
    """Two prompts become one, no third message is sent, and no finding is left without a prompt."""
    before, after = finding("split-drift", "cyclone"), finding("discharge-blocked", "cyclone")
    scene.see(before)
    scene.see(after, at=NOON + HOUR)
    scene.see(revised(before, state="superseded", superseded_by=after.id), at=NOON + 2 * HOUR)
    (kept,) = scene.logbook.prompts.open()
    assert set(kept.findings) == {before.id, after.id}
    assert kept.title.startswith("cyclone line blocked")
    assert len(scene.phone.sent) == 2


def test_what_was_superseded_unseen_raises_nothing(scene):
    """A finding that alerts meets as superseded was never told, and is not told now."""
    gone = finding(state="superseded", superseded_by=dp_rise().id)
    assert scene.see(gone).raised == 0
    assert scene.logbook.prompts.all() == []


def test_late_findings_never_make_a_prompt_or_a_message(scene):
    """What only late data showed stands in the logbook; it may join a prompt, and is not sent."""
    assert scene.see(finding(late=True, severity="high")).raised == 0
    root = finding("oil-carry-over", "weir-tank", severity="low")
    scene.see(root, at=NOON + HOUR)
    scene.see(dp_rise(root=root.id, severity="high", late=True), at=NOON + 2 * HOUR)
    prompt = scene.only()
    assert len(prompt.findings) == 2
    assert prompt.priority == "low"
    assert len(scene.phone.sent) == 1
    scene.see(finding(severity="high", revision=2), at=NOON + 3 * HOUR)
    assert len(scene.logbook.prompts.all()) == 2, "the same finding, seen live in a later revision, may be told"


def test_a_forecast_that_moves_is_updated_and_not_sent_again(scene):
    """The prompt shows the new forecast; the phone stays quiet."""
    rise = dp_rise()
    scene.see(rise)
    moved = dp_rise(when=NOON + timedelta(hours=3))
    scene.see(revised(rise, forecast=moved.forecast), at=NOON + HOUR)
    assert "about 15:00 (14:10-15:50)" in scene.only().title
    assert scene.only().updated == NOON + HOUR
    assert len(scene.phone.sent) == 1


def test_a_changed_cause_is_shown_and_not_sent_again(scene):
    """The list tells the new cause."""
    before = finding(cause="reject-plugging")
    scene.see(before)
    scene.see(revised(before, cause="liner-wear"), at=NOON + HOUR)
    assert "liner wear?" in scene.only().title
    assert len(scene.phone.sent) == 1


def test_a_raised_severity_is_told_again_even_after_an_answer(scene):
    """Whoever acknowledged a medium prompt hears of it when it becomes high."""
    before = finding()
    scene.see(before)
    assert scene.answer(scene.only().code, "acknowledge").state == "accepted"
    scene.see(revised(before, severity="high"), at=NOON + HOUR)
    assert scene.states(scene.only()) == ["unacknowledged", "acknowledged", "unacknowledged"]
    assert [" HIGH: " in text for text in scene.phone.texts] == [False, True]


def test_a_desk_prompt_is_recorded_and_never_sent(scene):
    """It stands in the logbook; when something that must reach a phone joins it, the phone rings."""
    desk = finding("sensor-noisy", "PT-201")
    scene.see(desk)
    assert scene.only().route == "desk"
    assert scene.logbook.prompts.deliveries() == []
    scene.see(finding(root=desk.id), at=NOON + HOUR)
    assert scene.only().route == "phone"
    assert len(scene.phone.sent) == 1


def test_all_closed_is_back_to_normal(scene):
    """Unacknowledged it stays to be acknowledged; acknowledged it is cleared."""
    rise, split = dp_rise(), finding(root=dp_rise().id)
    scene.see(rise, split)
    scene.see(revised(rise, state="closed", ended=NOON + HOUR), at=NOON + HOUR)
    assert scene.only().state == "unacknowledged"
    assert scene.only().title.startswith("cyclone split drift")
    scene.see(revised(split, state="closed", ended=NOON + HOUR), at=NOON + HOUR)
    assert scene.only().state == "returned-unacknowledged"
    assert scene.answer(scene.only().code, "acknowledge").state == "accepted"
    assert scene.only().state == "cleared"


def test_what_comes_back_is_told_again_only_to_those_who_forgot_it(scene):
    """Returned and not yet acknowledged: the message is still on the phone. Cleared: it is news."""
    one = finding()
    scene.see(one)
    closed = revised(one, state="closed")
    scene.see(closed, at=NOON + HOUR)
    again = revised(closed, state="open")
    scene.see(again, at=NOON + 2 * HOUR)
    assert (scene.only().state, len(scene.phone.sent)) == ("unacknowledged", 1)
    scene.answer(scene.only().code, "mine")
    closed = revised(again, state="closed")
    scene.see(closed, at=NOON + 3 * HOUR)
    assert scene.only().state == "cleared"
    scene.see(revised(closed, state="open"), at=NOON + 4 * HOUR)
    assert (scene.only().state, scene.only().taken_by, len(scene.phone.sent)) == ("unacknowledged", None, 2)


def test_what_was_over_before_it_was_seen_wakes_nobody(scene):
    """Opened and closed while alerts was away: recorded, returned, not sent."""
    one = finding()
    scene.see(one, revised(one, state="closed"))
    assert scene.states(scene.only()) == ["unacknowledged", "returned-unacknowledged"]
    assert scene.phone.sent == []
    scene.see(revised(one, revision=3), at=NOON + HOUR)
    assert len(scene.phone.sent) == 1, "nobody had heard of it, so its return is told"


def test_what_waits_for_the_day_rings_once_it_must_not_wait(scene):
    """A held message goes out at night once something joins that must be told at once, and not again by day."""
    slip = finding("pump-slip", "feed-pump", onset=NIGHT)
    scene.see(slip, at=NIGHT)
    assert scene.phone.sent == []
    scene.see(finding("dry-running", "feed-pump", root=slip.id, onset=NIGHT), at=NIGHT + HOUR)
    assert len(scene.phone.sent) == 1
    assert scene.run(MORNING).outcome == {}


def test_the_night_is_quiet_for_what_can_wait(scene):
    """Routes by day and low priorities wait for 06:00 site time; the rest rings at once."""
    by_day = finding("pump-slip", "feed-pump", onset=NIGHT)
    low = finding("off-spec", "outlet", severity="low", onset=NIGHT)
    now = finding("split-drift", "cyclone", onset=NIGHT)
    done = scene.see(by_day, low, now, at=NIGHT)
    assert (done.queued, done.outcome["sent"]) == (3, 1)
    assert "split drift" in scene.phone.texts[0]
    assert scene.run(MORNING - timedelta(minutes=1)).outcome["sent"] == 0
    assert scene.run(MORNING).outcome["sent"] == 2


def test_a_message_that_waited_is_up_to_date_or_not_sent(scene):
    """What changed in the night is in the morning's text; what is over by then is not sent."""
    slip = finding("pump-slip", "feed-pump", onset=NIGHT, cause="stator-wear")
    over = finding("strainer-blinding", "strainer", onset=NIGHT)
    scene.see(slip, over, at=NIGHT)
    scene.see(revised(slip, cause="hot-feed"), revised(over, state="closed"), at=NIGHT + HOUR)
    scene.run(MORNING)
    (told,) = scene.phone.sent
    assert "slips" in told.text
    held = [d for d in scene.logbook.prompts.deliveries() if d.state == "expired"]
    assert [d.error for d in held] == ["over before it could be sent"]


def test_with_nobody_on_duty_the_gap_is_on_record(scene):
    """A prompt that no duty covers is counted and stands as a failed message, not as silence."""
    from skidhand.fleet import parse_fleet
    from tests.alerts.helpers import FLEET

    alone = parse_fleet(FLEET.replace("    - {people: [sasha]}\n", ""))
    scene.logbook.fleets.apply(alone, effective=NOON, who="test")
    done = scene.see(finding("backwash-stuck", "filter-a", skid="tf-skid-2"))
    assert done.nobody == 1
    (failed,) = scene.logbook.prompts.deliveries()
    assert (failed.state, failed.error) == ("failed", "no duty of the roster covers site 'sorrel-2'")


def test_a_finding_of_a_skid_that_left_the_fleet_is_still_told(scene):
    """The fleet file moved on; the prompt names the skid by its id."""
    gone = finding().model_copy(update={"skid": "gone-1", "site": "tansy-4"})
    scene.see(gone)
    assert scene.phone.texts[0].startswith("gone-1 tansy-4 MED")


@pytest.fixture(scope="module")
def memory() -> Iterator[Logbook]:
    """A logbook in memory, made once: a file would sync to disk at every step."""
    with Logbook("sqlite://") as logbook:
        yield logbook


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 10**9))
def test_no_order_of_events_loses_a_finding(memory, seed):
    """Random roots (rings too), closings and batches: every finding has one prompt, what stands is told, once."""
    with memory.database.write() as connection:
        for table in reversed(metadata.sorted_tables):
            connection.execute(delete(table))
    scene, draw = Scene(memory), random.Random(seed)
    pool = [finding(run=str(i), unit=f"u{i}") for i in range(5)]
    current: dict[UUID, Finding] = {}
    for minute in range(draw.randint(1, 14)):
        base = draw.choice(pool)
        root = draw.choice([None, *(other.id for other in pool if other.id != base.id)])
        changes = {"root": root, "state": draw.choice(["open", "open", "closed"])}
        known = current.get(base.id)
        current[base.id] = revised(known, **changes) if known else base.model_copy(update=changes)
        scene.analyser.commit(current[base.id])
        if draw.random() < 0.5:
            scene.run(NOON + timedelta(minutes=minute))
    scene.run(NOON + HOUR)
    for one in current.values():
        prompt = memory.prompts.of_finding(one.id)
        assert one.id in prompt.findings
        assert one.state == "closed" or prompt.state == "unacknowledged"
    claimed = [found for prompt in memory.prompts.open() for found in prompt.findings]
    assert len(claimed) == len(set(claimed))
    standing = {prompt.id for prompt in memory.prompts.all() if prompt.state == "unacknowledged"}
    assert standing <= {message.prompt for message in scene.phone.sent}
    assert scene.run(NOON + 2 * HOUR).queued == 0
    assert [p.id for p in memory.prompts.all() if scene.states(p)[-1] != p.state] == []
