"""A call climbs until somebody takes it; whoever took it is asked back; what fails is handed over."""

from __future__ import annotations

from datetime import timedelta

from alerts.lifecycle import ACKNOWLEDGED, UNACKNOWLEDGED
from skidhand.errors import ChannelRefusedError
from tests.alerts.helpers import MORNING, NIGHT, NOON, finding, revised
from tests.alerts.quick import STEPS, THREE, Phone, Ring, Second, acted, people

MINUTE = timedelta(minutes=1)


def test_it_climbs_at_15_30_and_45_minutes_and_then_stands_in_the_list():
    """Nobody answers: the next of the duty is told at each step, round again, never twice in one minute."""
    with acted(fleet=THREE) as scene:
        scene.see(finding())
        told = []
        for minute in range(5, 180, 5):
            scene.run(NOON + minute * MINUTE)
            told += [(minute, person) for person in people(scene.phone)[1 + len(told) :]]
        assert people(scene.phone)[0] == "robin"
        assert told == [(15, "sasha"), (30, "kim"), (45, "robin")]
        assert scene.phone.texts[1].startswith("No answer yet. Skid 1")
        rows = [row.why for row in scene.logbook.prompts.history(scene.only().id)]
        assert rows[1:] == [f"nobody has taken it: step {n}, {who} is told"
                            for n, who in ((1, "sasha"), (2, "kim"), (3, "robin"))]  # fmt: skip
        assert (scene.only().state, scene.only().escalate_at) == (UNACKNOWLEDGED, None)


def test_what_is_high_goes_on_until_somebody_takes_it():
    """After the last step round and round, every last gap; an answer ends it at once."""
    with acted(fleet=THREE) as scene:
        scene.see(finding(severity="high"))
        for minute in range(5, 121, 5):
            scene.run(NOON + minute * MINUTE)
        assert people(scene.phone) == ["robin", "sasha", "kim", "robin", "sasha", "kim", "robin", "sasha", "kim"]
        scene.answer(scene.only().code, "mine", who="kim", at=NOON + 121 * MINUTE)
        scene.run(NOON + 200 * MINUTE)
        assert len(scene.phone.sent) == 9


def test_whoever_took_it_is_asked_back_and_the_next_told_if_silent():
    """``mine`` stops the clock; after two hours they are asked; no word for 15 minutes, and it climbs."""
    with acted() as scene:
        scene.see(finding())
        scene.answer(scene.only().code, "mine", at=NOON + 5 * MINUTE)
        scene.run(NOON + 124 * MINUTE)
        assert people(scene.phone) == ["robin"]
        scene.run(NOON + 125 * MINUTE)
        assert people(scene.phone) == ["robin", "robin"]
        assert scene.phone.texts[-1].startswith("Still so? ")
        assert scene.only().state == ACKNOWLEDGED
        scene.run(NOON + 140 * MINUTE)
        assert (people(scene.phone)[-1], scene.only().state, scene.only().taken_by) == ("sasha", UNACKNOWLEDGED, None)
        assert "no more was heard from robin" in [row.why for row in scene.logbook.prompts.history(scene.only().id)]


def test_an_answer_to_the_question_starts_it_anew():
    """Still on it: two more hours, and nobody else is told."""
    with acted() as scene:
        scene.see(finding())
        scene.answer(scene.only().code, "mine", at=NOON)
        scene.run(NOON + 120 * MINUTE)
        scene.answer(scene.only().code, "mine", at=NOON + 121 * MINUTE)
        scene.run(NOON + 200 * MINUTE)
        assert people(scene.phone) == ["robin", "robin"]
        assert scene.only().check_at == NOON + 241 * MINUTE


def test_seeing_it_puts_the_clock_off_and_does_not_stop_it():
    """Acknowledged at 10 minutes, the step of 15 comes at 30; a return to normal ends it."""
    with acted() as scene:
        one = finding()
        scene.see(one)
        scene.answer(scene.only().code, "acknowledge", at=NOON + 10 * MINUTE)
        scene.run(NOON + 29 * MINUTE)
        assert people(scene.phone) == ["robin"]
        scene.run(NOON + 30 * MINUTE)
        assert people(scene.phone) == ["robin", "sasha"]
        scene.see(revised(one, state="closed"), at=NOON + 31 * MINUTE)
        scene.run(NOON + 300 * MINUTE)
        assert len(scene.phone.sent) == 2


def test_what_fails_for_good_goes_to_the_next_channel_then_the_next_person():
    """Three tries each; the order is channel before person; each hand-over is on record; nobody is told twice."""
    phone, second = Phone(lambda _: "gateway away"), Second(lambda one: "away" if one.person == "robin" else None)
    with acted(phone, second) as scene:
        scene.see(finding())
        for minute in range(1, 14):
            scene.run(NOON + minute * MINUTE)
        assert people(second) == ["sasha"]
        failed = [(d.person, d.channel, d.attempts) for d in scene.logbook.prompts.deliveries() if d.state == "failed"]
        assert failed == [("robin", "phone", 3), ("robin", "second", 3), ("sasha", "phone", 3)]


def test_a_refusal_and_a_receipt_hand_over_at_once():
    """A number that the gateway refuses for good, and a message that did not arrive, wait for no second try."""

    class Refusing(Phone):
        def send(self, delivery):
            raise ChannelRefusedError(f"no such number {delivery.address}")

    class Numbered(Second):
        def send(self, delivery):
            super().send(delivery)
            return f"ref-{len(self.sent)}"

    second = Numbered()
    with acted(Refusing(), second) as scene:
        scene.see(finding())
        scene.run(NOON + MINUTE)
        assert people(second) == ["robin"]
        assert scene.logbook.prompts.receipt("second", "ref-1", delivered=False)
        assert not scene.logbook.prompts.receipt("second", "ref-9", delivered=True)
        for minute in range(2, 5):
            scene.run(NOON + minute * MINUTE)
        assert people(second) == ["robin", "sasha"]
        assert scene.logbook.prompts.receipt("second", "ref-2", delivered=True)
        assert [d.receipt for d in scene.logbook.prompts.deliveries() if d.state == "sent"] == ["delivered"]


def test_when_nobody_can_be_reached_it_is_tried_until_it_would_mislead():
    """All ways fail: counted, tried again every quarter of an hour, and given up on record after 12 hours."""
    phone = Phone(lambda _: "away")
    with acted(phone, fleet=STEPS.replace("[15, 30, 45]", "[]")) as scene:
        scene.see(finding())
        for minute in range(3, 40, 3):
            scene.run(NOON + minute * MINUTE)
        phone.failing = lambda _: None
        scene.run(NOON + 60 * MINUTE)
        assert len(phone.sent) == 1
        assert phone.texts[0].startswith("Late, meant for 12:00. ")


def test_a_ring_wakes_only_for_what_may_not_wait():
    """By night beside the text, by day only for what is high, never for what waits for the day."""
    text, ring = Phone(), Ring()
    with acted(text, ring) as scene:
        scene.see(finding(), finding("pump-slip", "feed-pump"), at=NOON)
        assert (len(text.sent), len(ring.sent)) == (2, 0)
        scene.see(finding(run="2", severity="high"), at=NOON)
        assert len(ring.sent) == 1
        scene.see(finding(run="3", onset=NIGHT), finding("pump-slip", "feed-pump", run="2", onset=NIGHT), at=NIGHT)
        scene.run(MORNING)
        rung = [one.prompt for one in ring.sent if one.purpose == "prompt"]
        wanted = (finding(run="2"), finding(run="3"))
        assert rung == [scene.logbook.prompts.of_finding(one.id).id for one in wanted]


def test_when_nobody_is_on_duty_it_is_tried_again():
    """The night shift begins at 18:00: what came before reaches it then, and the gap stands on record."""
    night = STEPS.replace("    - {people: [sasha]}", '    - {shifts: [{people: [sasha], from: "18:00", to: "06:00"}]}')
    with acted(fleet=night) as scene:
        done = scene.see(finding("backwash-stuck", "filter-a", skid="tf-skid-2"), at=NOON + 350 * MINUTE)
        assert done.nobody == 1
        scene.run(NOON + 359 * MINUTE)
        assert scene.phone.sent == []
        scene.run(NOON + 366 * MINUTE)
        assert people(scene.phone) == ["sasha"]
