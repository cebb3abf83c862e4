"""Texts and links at the desk: who may answer, which prompt is meant, what counts once, and how often one may try."""

from __future__ import annotations

from datetime import timedelta

import pytest

from alerts.inbound import links
from alerts.inbound.desk import GUESSES, MESSAGES, Desk
from skidhand.fleet import parse_fleet
from skidhand.logbook import Logbook
from tests.alerts.conftest import Scene
from tests.alerts.helpers import FLEET, NOON, dp_rise, finding

ROBIN, SASHA = "+15550100001", "+15550100002"


@pytest.fixture
def scene(tmp_path):
    """One kind of database will do: the rules of the desk are the same on each."""
    with Logbook(f"sqlite:///{tmp_path / 'logbook.db'}") as logbook:
        yield Scene(logbook)


@pytest.fixture
def seconds():
    """The monotonic clock of the limits, which a test moves."""
    return [0.0]


@pytest.fixture
def desk(scene, seconds):
    """A desk that does not wait for a verdict; ``judged`` gives it."""
    return Desk(scene.logbook, scene.clock, wait=0.0, now=lambda: seconds[0])


def judged(scene, code):
    """(verb, text, who, state) of the last answer to ``code``, once alerts has run."""
    scene.run()
    last = scene.logbook.answers.to(code)[-1]
    return last.verb, last.text, last.who, last.state


@pytest.mark.parametrize("sender", [ROBIN, "15550100001", "0015550100001", "+1 555 010 0001"])
def test_a_text_becomes_an_answer(scene, desk, sender):
    """However the gateway writes the number, it is Robin's, and alerts accepts what was said."""
    scene.see(dp_rise())
    code = scene.only().code
    assert desk.text(sender, f"3 {code} washed", "sms").refused is None
    assert judged(scene, code) == ("done", "washed", "robin", "accepted")
    assert scene.only().verdict == "done"


def test_a_bare_digit_is_for_the_one_open_prompt(scene, desk):
    """With one prompt it counts; with two its sender is told the codes; with none, that there is none."""
    assert desk.text(ROBIN, "2", "sms").reply == "No prompt of yours is open."
    scene.see(dp_rise())
    first = scene.only().code
    assert desk.text(ROBIN, "1", "sms").refused is None
    assert judged(scene, first)[3] == "accepted"
    scene.see(finding())
    codes = [prompt.code for prompt in scene.logbook.prompts.open()]
    told = desk.text(ROBIN, "2", "sms")
    assert told.refused == "no-code"
    assert all(code in told.reply for code in codes)
    # Sasha was told of neither.
    assert desk.text(SASHA, "2", "sms").reply == "No prompt of yours is open."


def test_who_is_not_on_the_roster_is_refused_and_counted(scene, desk):
    """Nothing is written, nothing goes back: not even that there is such a prompt."""
    scene.see(dp_rise())
    for sender in ("+15550109876", "", "kannel", "5550100001"):
        assert desk.text(sender, f"3 {scene.only().code}", "sms") == desk.text(sender, "hello", "sms")
    assert scene.logbook.answers.to(scene.only().code) == []
    assert desk.counts == {"unknown-sender": 8}


def test_what_a_gateway_brings_twice_counts_once(scene, desk):
    """The same message number is a replay; the same words in another message are another answer."""
    scene.see(dp_rise())
    code = scene.only().code
    assert desk.text(ROBIN, f"3 {code}", "sms", "m-1").refused is None
    assert desk.text(ROBIN, f"3 {code}", "sms", "m-1").refused == "replayed"
    assert desk.text(ROBIN, f"3 {code}", "sms", "m-2").refused is None
    assert len(scene.logbook.answers.to(code)) == 2
    assert desk.counts == {"taken": 2, "replayed": 1}


def test_guesses_are_refused_on_record_and_soon_not_looked_at(scene, desk, seconds):
    """Wrong codes stand in the logbook as refused; after five even a right one waits until the hour is over."""
    scene.see(dp_rise())
    code = scene.only().code
    wrong = [str(number) for number in range(1000, 1010) if str(number) != code][: GUESSES[0]]
    for guess in wrong:
        assert desk.text(ROBIN, f"3 {guess}", "sms").refused == "wrong-code"
        assert judged(scene, guess)[3] == "refused"
    assert desk.text(ROBIN, f"3 {code}", "sms").refused == "locked"
    assert desk.text(SASHA, f"1 {code}", "sms").refused is None
    seconds[0] += GUESSES[1] + 1
    assert desk.text(ROBIN, f"3 {code}", "sms").refused is None


def test_a_phone_that_sends_and_sends_is_held_back(scene, desk, seconds):
    """Thirty texts in ten minutes are read, the next is not, and later it is again."""
    for _ in range(MESSAGES[0]):
        assert desk.text(ROBIN, "hello", "sms").refused == "not-understood"
    assert desk.text(ROBIN, "hello", "sms").refused == "too-many"
    seconds[0] += MESSAGES[1] + 1
    assert desk.text(ROBIN, "hello", "sms").refused == "not-understood"


def test_what_is_not_understood_is_answered_with_how_to(scene, desk):
    """The reply names the sender's code and every digit, in the sender's language."""
    scene.see(dp_rise())
    code = scene.only().code
    told = desk.text(ROBIN, "what now", "sms").reply
    assert told == f"Not understood. Answer {code} 1seen 2mine 3done 4false 5wait 6pass 7work"
    spanish = FLEET.replace("name: Robin Vale,", "name: Robin Vale, language: es,")
    scene.logbook.fleets.apply(parse_fleet(spanish), effective=NOON, who="test")
    assert desk.text(ROBIN, "que", "sms").reply.startswith("No se entiende. Resp. ")


def test_a_link_counts_once_and_not_for_ever(scene, desk):
    """The same verb twice is a replay, another verb of the same message counts, and after a week none does."""
    scene.see(dp_rise())
    (sent,) = scene.logbook.prompts.deliveries(scene.only().id)
    mine, done = links.Link(sent.id, "mine"), links.Link(sent.id, "done")
    assert desk.usable(mine)
    assert desk.link(mine, "").refused is None
    assert judged(scene, scene.only().code) == ("mine", "", "robin", "accepted")
    assert not desk.usable(mine)
    assert desk.link(mine, "").refused == "replayed"
    assert desk.usable(done)
    scene.clock.announce(NOON + links.VALID + timedelta(minutes=1))
    assert not desk.usable(done)


def test_a_link_of_somebody_who_left_counts_no_more(scene, desk):
    """The roster decides when the answer comes, not when the message went."""
    scene.see(dp_rise())
    (sent,) = scene.logbook.prompts.deliveries(scene.only().id)
    left = FLEET.replace('    - {id: robin, name: Robin Vale, phone: "+15550100001"}\n', "")
    left = left.replace("people: [robin, sasha]", "people: [sasha]")
    scene.logbook.fleets.apply(parse_fleet(left), effective=NOON, who="test")
    assert desk.link(links.Link(sent.id, "done"), "").refused == "unknown-link"
    assert desk.text(ROBIN, "3", "sms").refused == "unknown-sender"
