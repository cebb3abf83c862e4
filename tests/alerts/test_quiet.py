"""What keeps prompts quiet by design or for work, and what speaks all the same; delays; one text a pad; gas."""

from __future__ import annotations

from datetime import datetime, timedelta
from uuid import uuid4

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts import suppression
from alerts.gas import GasWatch
from alerts.lifecycle import OUT_OF_SERVICE, SUPPRESSED, UNACKNOWLEDGED
from skidhand.errors import StoreError
from skidhand.fleet import parse_fleet
from skidhand.model.finding import Evidence, Forecast, Number
from skidhand.model.kinds import KINDS
from skidhand.model.prompt import Work
from skidhand.model.quality import BAD, GOOD
from tests.alerts.helpers import FLEET, NIGHT, NOON, dp_rise, finding, revised
from tests.alerts.quick import STEPS, Phone, acted, people

MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)


def stop(**changes):
    """The skid stands."""
    return finding("unplanned-stop", "skid", **changes)


def prompt_about(scene, one):
    """The prompt that a finding belongs to."""
    return scene.logbook.prompts.of_finding(one.id)


def work(until, **changes):
    """Robin works on Skid 1 from noon on."""
    return Work.model_validate(
        {"id": uuid4(), "skid": "tf-skid-1", "who": "robin", "begins": NOON, "until": until, "why": "liners"} | changes
    )


def test_a_skid_that_stands_keeps_its_process_quiet_until_it_runs():
    """Before or after the stop, in one batch or two; freed when the stop is over; told then if nobody had heard."""
    with acted() as scene:
        before, after, dry = dp_rise(), finding(run="2"), finding("dry-running", "feed-pump")
        scene.see(before)
        scene.see(stop(), after, dry, at=NOON + MINUTE)
        assert [prompt_about(scene, one).state for one in (before, after, dry)] == [
            SUPPRESSED,
            SUPPRESSED,
            UNACKNOWLEDGED,
        ]
        assert len(scene.phone.sent) == 3, "the rise before, the stop, and what may be why it stands"
        why = scene.logbook.prompts.history(prompt_about(scene, after).id)[-1].why
        assert why == f"by design: unplanned-stop stands, prompt {prompt_about(scene, stop()).code}"
        scene.see(revised(stop(), state="closed"), at=NOON + 5 * MINUTE)
        assert prompt_about(scene, before).state == prompt_about(scene, after).state == UNACKNOWLEDGED
        assert [one.prompt for one in scene.phone.sent[3:]] == [prompt_about(scene, after).id]


def test_what_ends_while_it_is_suppressed_is_cleared_in_silence():
    """Back to normal under suppression: cleared when the reason ends, and nobody is told."""
    with acted() as scene:
        one = finding()
        scene.see(stop(), one)
        scene.see(revised(one, state="closed"), at=NOON + MINUTE)
        scene.see(revised(stop(), state="closed"), at=NOON + 2 * MINUTE)
        assert prompt_about(scene, one).state == "cleared"
        assert len(scene.phone.sent) == 1


@given(st.sampled_from(sorted(KINDS)), st.sampled_from(sorted(KINDS)))
def test_nothing_that_can_hurt_is_suppressed(kind, by):
    """Tanks, frost, dry running, blocked lines and lost media speak whatever else stands; nothing suppresses itself."""
    speaks = {"tank-filling", "tank-emptying", "freeze-risk", "dry-running", "discharge-blocked", "underdrain-failure"}
    quiet = suppression.SUPPRESSORS.get(by, frozenset())
    assert kind not in quiet or (kind not in speaks and kind != by and KINDS[kind].prompt != "call-out")


def test_work_keeps_a_skid_quiet_and_ends_by_itself():
    """Inside: logged, not sent; call-outs reach who works there; asked before the end; then what stands is told."""
    with acted() as scene:
        scene.logbook.work.add(work(NOON + HOUR))
        one, tank = finding(), finding("tank-filling", "weir-tank")
        scene.see(one, tank, at=NOON)
        assert (prompt_about(scene, one).state, prompt_about(scene, tank).state) == (OUT_OF_SERVICE, UNACKNOWLEDGED)
        assert people(scene.phone) == ["robin"]
        scene.answer(prompt_about(scene, tank).code, "mine")
        scene.run(NOON + 44 * MINUTE)
        assert len(scene.phone.sent) == 1
        scene.run(NOON + 45 * MINUTE)
        assert scene.phone.texts[1].startswith("Skid 1: prompts are sent again from 13:00. Answer ")
        scene.run(NOON + 60 * MINUTE)
        assert prompt_about(scene, one).state == UNACKNOWLEDGED
        assert scene.phone.sent[-1].prompt == prompt_about(scene, one).id
        (ended,) = scene.logbook.work.all()
        assert ended.ended == NOON + HOUR


@pytest.mark.parametrize(("verb", "text", "end"), [("wait", "2h", 180), ("done", "", 46)])
def test_the_question_prolongs_the_work_or_ends_it(verb, text, end):
    """``wait 2h`` goes on from the end; ``done`` is the end."""
    with acted() as scene:
        scene.logbook.work.add(work(NOON + HOUR))
        scene.run(NOON)
        scene.run(NOON + 45 * MINUTE)
        assert scene.answer(scene.only().code, verb, text, at=NOON + 46 * MINUTE).state == "accepted"
        scene.run(NOON + 47 * MINUTE)
        assert [one.until for one in scene.logbook.work.all()] == [NOON + end * MINUTE]
        scene.see(finding(), at=NOON + 61 * MINUTE)
        state = prompt_about(scene, finding()).state
        assert state == (OUT_OF_SERVICE if verb == "wait" else UNACKNOWLEDGED)


def test_an_answer_puts_the_skid_out_of_service():
    """``work 2h``: whoever answers works there."""
    with acted() as scene:
        scene.see(finding(), dp_rise())
        assert scene.answer(prompt_about(scene, finding()).code, "work", "2h").state == "accepted"
        scene.run(NOON + MINUTE)
        assert {one.state for one in scene.logbook.prompts.all()} == {OUT_OF_SERVICE}
        assert [(one.who, one.until) for one in scene.logbook.work.open()] == [("robin", NOON + 2 * HOUR)]


def test_one_unit_out_of_service_leaves_the_others():
    """Only what is about that unit is kept."""
    with acted() as scene:
        scene.logbook.work.add(work(NOON + HOUR, unit="filter-a"))
        scene.see(finding(), dp_rise())
        assert prompt_about(scene, dp_rise()).state == OUT_OF_SERVICE
        assert prompt_about(scene, finding()).state == UNACKNOWLEDGED


def test_a_planned_outage_suppresses_the_stop_and_not_the_tank():
    """Known outage: suppressed by design, released at its end."""
    with acted() as scene:
        scene.logbook.work.add(work(NOON + HOUR, kind="outage"))
        tank = finding("tank-filling", "weir-tank")
        scene.see(stop(), tank, dp_rise())
        assert [prompt_about(scene, one).state for one in (stop(), tank, dp_rise())] == [
            SUPPRESSED, UNACKNOWLEDGED, SUPPRESSED,
        ]  # fmt: skip


def test_delays_hold_back_what_is_short_and_bridge_what_swings():
    """On-delay: told only if it lasts. Off-delay: back to normal only if it stays away. Deadband: an hour more."""
    fleet = STEPS + "  delays: {split-drift: {on_delay: 10, off_delay: 20}, dp-rise: {deadband: 0.1}}\n"
    with acted(fleet=fleet) as scene:
        one, short = finding(), finding(run="2")
        scene.see(one, short)
        scene.see(revised(short, state="closed"), at=NOON + 5 * MINUTE)
        assert scene.phone.sent == []
        scene.run(NOON + 10 * MINUTE)
        assert len(scene.phone.sent) == 1
        closed = revised(one, state="closed")
        scene.see(closed, at=NOON + 11 * MINUTE)
        again = revised(closed, state="open")
        scene.see(again, at=NOON + 20 * MINUTE)
        assert scene.states(prompt_about(scene, one)) == ["unacknowledged"] * 1
        scene.see(revised(again, state="closed"), at=NOON + 22 * MINUTE)
        scene.run(NOON + 41 * MINUTE)
        assert prompt_about(scene, one).state != "returned-unacknowledged"
        scene.run(NOON + 42 * MINUTE)
        assert prompt_about(scene, one).state == "returned-unacknowledged"


@pytest.mark.parametrize(("value", "minutes"), [(11.5, 60), (8.0, 0)])
def test_what_ends_near_its_limit_waits_an_hour(value, minutes):
    """Deadband: within a tenth of 12 psi it may come back at once."""
    with acted(fleet=STEPS + "  delays: {dp-rise: {deadband: 0.1}}\n") as scene:
        numbers = (Number(name="dp", value=value, unit="[psi]"), Number(name="dp_limit", value=12.0, unit="[psi]"))
        rise = dp_rise(evidence=Evidence(numbers=numbers))
        scene.see(rise)
        scene.see(revised(rise, state="closed"), at=NOON + MINUTE)
        assert (scene.only().return_at is not None) == (minutes > 0)
        scene.run(NOON + (minutes + 1) * MINUTE)
        assert scene.only().state == "returned-unacknowledged"


PAD = FLEET.replace("site: sorrel-2", "site: tansy-4").replace("{minutes: []}", "{minutes: []}")


def silent(skid, onset=NOON):
    """No data from a skid of the one pad."""
    return finding("no-data", "skid", skid=skid, onset=onset, site="tansy-4")


def test_lost_data_are_one_text_a_pad():
    """The second skid of the pad joins the first one's prompt; an hour later it is news."""
    with acted(fleet=PAD) as scene:
        scene.see(silent("tf-skid-1"))
        scene.see(silent("tf-skid-2", NOON + MINUTE), at=NOON + 5 * MINUTE)
        assert len(scene.phone.sent) == 1
        assert len(scene.only().findings) == 2
        scene.see(finding("sensor-frozen", "PDT-301", skid="tf-skid-2", site="tansy-4"), at=NOON + 6 * MINUTE)
        assert len(scene.phone.sent) == 1, "silence keeps the neighbour's sensors quiet too"
    with acted(fleet=PAD) as scene:
        scene.see(silent("tf-skid-1"))
        scene.see(silent("tf-skid-2", NOON + HOUR), at=NOON + HOUR)
        assert len(scene.phone.sent) == 2


def test_an_order_goes_to_the_dispatcher_by_day_when_delivery_time_wants_it():
    """Ten days left, three of lead and one to spare: asked for after six days, in day hours."""
    empty = NIGHT + timedelta(days=10)
    forecast = Forecast(what="empty", when=empty, low=empty, high=empty + HOUR)
    low = finding("chemical-low", "dose", severity="low", forecast=forecast, onset=NIGHT)
    with acted(fleet=FLEET + "  dispatcher: sasha\n") as scene:
        scene.see(low, at=NIGHT)
        (queued,) = scene.logbook.prompts.deliveries()
        due = datetime.fromisoformat("2026-03-09T11:00+00:00")  # 06:00 of summer time, six days on
        assert (queued.person, queued.due) == ("sasha", due)
        scene.run(due - MINUTE)
        assert scene.phone.sent == []
        scene.run(due)
        assert people(scene.phone) == ["sasha"]


def test_skills_come_first_and_nobody_is_left_out():
    """Who may do filters is told first; if nobody of the duty may, the duty is told all the same."""
    skilled = (
        FLEET.replace('"+15550100002"', '"+15550100002", skills: [filters]') + "  skills: {media_filter: filters}\n"
    )
    with acted(fleet=skilled) as scene:
        scene.see(dp_rise(), finding())
        assert {prompt_about(scene, one).id: p for one, p in ((dp_rise(), "sasha"), (finding(), "robin"))} == {
            one.prompt: one.person for one in scene.phone.sent
        }


GAS_FLEET = parse_fleet(
    FLEET.replace('PT-201: {unit: "[psi]"}', 'PT-201: {unit: "[psi]"}\n      AAH-001: {unit: "1"}').replace(
        "    units:\n", "    units:\n      - {id: skid, type: skid, roles: {gas_alarm: AAH-001}}\n", 1
    )
).fleet


class OneSample:
    """A store that holds one sample, or is away."""

    def __init__(self, *sample):
        self.sample = sample

    def latest(self, _):
        """As a store's."""
        import pyarrow as pa

        if self.sample == ("away",):
            raise StoreError("away")
        rows = [dict(zip(("time", "value", "quality"), self.sample, strict=True))] if self.sample else []
        return pa.Table.from_pylist(rows)


@pytest.mark.parametrize(
    ("sample", "blocked"),
    [
        ((NOON, 0.0, GOOD), False),
        ((NOON, 1.0, GOOD), True),
        ((NOON, 0.0, BAD), True),
        ((NOON, None, BAD), True),
        ((NOON - 11 * MINUTE, 0.0, GOOD), True),
        ((), True),
        (("away",), True),
    ],
)
def test_only_a_fresh_good_zero_lets_somebody_be_sent(sample, blocked):
    """Alarm on, status not good, stale, absent, or a store that is away: nobody knows, so nobody goes."""
    watch = GasWatch(lambda: OneSample(*sample), lambda: GAS_FLEET, lambda: NOON)
    assert watch("tf-skid-1") is blocked
    assert watch("tf-skid-2") is False, "no detector is declared there"


def test_with_gas_no_message_sends_anybody():
    """The step gives way to: do not approach, site emergency plan, supervisor; also in a reminder."""
    with acted() as scene:
        from alerts.service import AlertService

        gas = [True]
        scene.service = AlertService(
            scene.logbook, clock=scene.clock, channels=[scene.phone], instance="test", gas=lambda _: gas[0]
        )
        scene.see(finding())
        scene.run(NOON + 15 * MINUTE)
        for text in scene.phone.texts:
            assert "Do not approach" in text
            assert "Suggest" not in text
        gas[0] = False
        scene.run(NOON + 30 * MINUTE)
        assert "Suggest" in scene.phone.texts[-1]
        assert isinstance(scene.phone, Phone)
