"""Answers: each verb's effect, and the reason for every refusal."""

from __future__ import annotations

from datetime import timedelta

import pytest

from alerts.actions import EVENT, RefusedAnswerError, duration
from tests.alerts.helpers import NOON, dp_rise, finding, revised

HOUR = timedelta(hours=1)


@pytest.mark.parametrize(
    ("verb", "state", "taken_by", "verdict"),
    [
        ("acknowledge", "acknowledged", None, None),
        ("mine", "acknowledged", "robin", None),
        ("done", "acknowledged", "robin", "done"),
        ("false", "cleared", None, "false"),
    ],
)
def test_what_a_verb_does(scene, verb, state, taken_by, verdict):
    """Done by word clears nothing while the readings stand; a false call is cleared. Both are kept as the verdict."""
    scene.see(dp_rise())
    judged = scene.answer(scene.only().code, verb, "took 20 min", at=NOON + HOUR)
    prompt = scene.only()
    assert (judged.state, judged.judged) == ("accepted", NOON + HOUR)
    assert (prompt.state, prompt.taken_by, prompt.verdict) == (state, taken_by, verdict)
    row = scene.logbook.prompts.history(prompt.id)[-1]
    assert (row.who, row.at, row.why) == ("robin", NOON + HOUR, f"{verb}: took 20 min (test)")


def test_every_verb_is_known_to_the_judge():
    """The contract's verbs and the judge's are the same."""
    from typing import get_args

    from skidhand.model.prompt import Verb

    assert set(EVENT) == set(get_args(Verb))


def test_done_is_cleared_by_the_readings(scene):
    """After ``done`` the return to normal clears the prompt."""
    rise = dp_rise()
    scene.see(rise)
    scene.answer(scene.only().code, "done")
    scene.see(revised(rise, state="closed"), at=NOON + HOUR)
    assert (scene.only().state, scene.only().verdict) == ("cleared", "done")


def test_a_false_call_stays_quiet_until_it_is_worse(scene):
    """More of the same changes nothing; a higher severity is told."""
    one = finding()
    scene.see(one)
    scene.answer(scene.only().code, "false", "analyser was being cleaned")
    two = revised(one, cause="gas")
    scene.see(two, at=NOON + HOUR)
    assert (scene.only().state, len(scene.phone.sent)) == ("cleared", 1)
    scene.see(revised(two, severity="high"), at=NOON + 2 * HOUR)
    assert (scene.only().state, len(scene.phone.sent)) == ("unacknowledged", 2)


def test_what_joins_a_false_call_is_news(scene):
    """Nobody has called the new finding false: its prompt is told again, with no verdict."""
    root = finding("oil-carry-over", "weir-tank")
    scene.see(root)
    scene.answer(scene.only().code, "false")
    scene.see(finding(root=root.id), at=NOON + HOUR)
    assert (scene.only().state, scene.only().verdict, len(scene.phone.sent)) == ("unacknowledged", None, 2)


def test_wait_shelves_and_the_end_wakes(scene):
    """Shelved it is silent; when the time is over what still stands is told again, what is over is cleared."""
    one, two = finding(), dp_rise()
    scene.see(one, two)
    for prompt in scene.logbook.prompts.open():
        assert scene.answer(prompt.code, "wait", "2h").state == "accepted"
    assert {p.state for p in scene.logbook.prompts.open()} == {"shelved"}
    assert {p.shelved_until for p in scene.logbook.prompts.open()} == {NOON + 2 * HOUR}
    scene.see(revised(one, state="closed"), at=NOON + HOUR)
    assert len(scene.phone.sent) == 2
    scene.run(NOON + 2 * HOUR)
    assert {p.kind: p.state for p in scene.logbook.prompts.all()} == {
        "inspect": "cleared", "backwash": "unacknowledged",
    }  # fmt: skip
    assert len(scene.phone.sent) == 3


def test_what_becomes_worse_breaks_through_shelving(scene):
    """Nobody put the high one aside."""
    one = finding()
    scene.see(one)
    scene.answer(scene.only().code, "wait", "1d")
    scene.see(revised(one, severity="high"), at=NOON + HOUR)
    assert (scene.only().state, scene.only().shelved_until) == ("unacknowledged", None)
    assert len(scene.phone.sent) == 2


def test_an_answer_while_shelved_sees_that_it_is_over(scene):
    """Acknowledging a shelved prompt that returned to normal meanwhile clears it."""
    one = finding()
    scene.see(one)
    scene.answer(scene.only().code, "wait", "1d")
    scene.see(revised(one, state="closed"), at=NOON + HOUR)
    assert scene.only().state == "shelved"
    scene.answer(scene.only().code, "acknowledge")
    assert scene.states(scene.only())[-2:] == ["acknowledged", "cleared"]


def test_pass_tells_the_next_or_the_one_who_is_named(scene):
    """The next in the duty gets the message; whoever took it has it no more; a name chooses somebody."""
    scene.see(finding())
    code = scene.only().code
    scene.answer(code, "mine")
    scene.answer(code, "pass")
    assert [message.person for message in scene.phone.sent] == ["robin", "sasha"]
    assert (scene.only().state, scene.only().taken_by) == ("unacknowledged", None)
    assert "nobody after sasha" in scene.answer(code, "pass", who="sasha").reason
    assert scene.answer(code, "pass", "robin", who="sasha").state == "accepted"
    assert scene.phone.sent[-1].person == "robin"
    assert "nobody called 'kim'" in scene.answer(code, "pass", "kim").reason


@pytest.mark.parametrize(
    ("code", "who", "verb", "reason"),
    [
        ("0000", "robin", "acknowledge", "no prompt has the code '0000'"),
        ("'; drop table prompts; --", "robin", "acknowledge", "no prompt has the code"),
        ("\x00" * 5000, "robin", "acknowledge", "no prompt has the code"),
        (None, "kim", "acknowledge", "'kim' is not on the roster; there are robin, sasha"),
        (None, "robin", "wait", "can't wait 'soon'; give a time such as 30m, 4h or 2d"),
    ],
)
def test_what_is_refused_says_why_and_changes_nothing(scene, code, who, verb, reason):
    """Unknown code, unknown person, a time that is none: refused with the reason, the prompt as it was."""
    scene.see(finding())
    before = scene.only()
    judged = scene.answer(code or before.code, verb, "soon", who=who)
    assert judged.state == "refused"
    assert reason in judged.reason
    assert scene.only() == before


def test_a_closed_prompt_refuses(scene):
    """A second answer to a false call comes too late."""
    scene.see(finding())
    code = scene.only().code
    scene.answer(code, "false")
    assert f"prompt {code} is closed since 2026-03-02 18:00Z" in scene.answer(code, "mine").reason


def test_an_impossible_step_names_the_possible_ones(scene):
    """What returned to normal can't be shelved any more."""
    one = finding()
    scene.see(one)
    scene.see(revised(one, state="closed"))
    reason = scene.answer(scene.only().code, "wait").reason
    assert "is returned-unacknowledged and can't shelve" in reason
    assert "acknowledge" in reason


def test_a_number_or_address_on_the_roster_may_answer(scene):
    """The sender of a text is known by the number; spaces in the code don't matter."""
    scene.see(finding())
    code = scene.only().code
    assert scene.answer(f" {code[:2]} {code[2:]} ", "acknowledge", who="+15550100002").state == "accepted"
    assert scene.logbook.prompts.history(scene.only().id)[-1].who == "sasha"


@pytest.mark.parametrize(
    ("text", "minutes"), [("", 240), ("30m", 30), (" 4H ", 240), ("2 d", 2880), ("1h 30m", 90), ("7d", 10080)]
)
def test_durations(text, minutes):
    """Minutes, hours, days, also together; four hours when none is given."""
    assert duration(text) == timedelta(minutes=minutes)


@pytest.mark.parametrize("text", ["soon", "4", "-4h", "4h and a bit", "1m", "8d", "99999d", "0h"])
def test_durations_that_are_none(text):
    """From five minutes to seven days; anything else is refused with an example."""
    with pytest.raises(RefusedAnswerError, match="30m, 4h or 2d, from 5m to 7d"):
        duration(text)
