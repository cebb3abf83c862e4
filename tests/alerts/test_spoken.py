"""Typed answers as gloved hands and correcting phones send them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.inbound.spoken import CARRIERS, DIGITS, Said, UnclearError, said
from alerts.words import languages, words_in

OPEN = {"4821", "5932"}


@pytest.mark.parametrize(
    ("text", "verb", "code", "remark"),
    [
        # a digit alone, a code alone, both in either order, together, or digit by digit
        ("3", "done", None, ""),
        (" 2 ", "mine", None, ""),
        ("4821", "acknowledge", "4821", ""),
        ("3 4821", "done", "4821", ""),
        ("4821 3", "done", "4821", ""),
        ("34821", "done", "4821", ""),
        ("48213", "done", "4821", ""),
        ("4 8 2 1", "acknowledge", "4821", ""),
        ("3 4 8 2 1", "done", "4821", ""),
        ("4821-3", "done", "4821", ""),
        ("#4821: 2.", "mine", "4821", ""),
        ("4821=2", "mine", "4821", ""),
        # words, any case, with what a phone adds or puts in their place
        ("Done 4821", "done", "4821", ""),
        ("DONE. 4821", "done", "4821", ""),
        ("Answer 4821 mine", "mine", "4821", ""),
        ("ok", "acknowledge", None, ""),
        ("OK 4821", "acknowledge", "4821", ""),
        ("Ok, done 4821", "done", "4821", ""),
        ("ok done", "done", None, ""),
        ("fone 4821", "done", "4821", ""),
        ("doen 4821", "done", "4821", ""),
        ("mimes", None, None, ""),
        ("nine 4821", "mine", "4821", ""),
        ("false 48Z1", "false", None, "48Z1"),
        ("false 482l", "false", "4821", ""),
        ("Seen.", "acknowledge", None, ""),
        # remarks, times and names
        ("3 4821 washed, 20 min", "done", "4821", "washed 20 min"),
        ("done washed it twice 4821", "done", "4821", "washed it twice"),
        ("3 20 min", "done", None, "20 min"),
        ("5 4821 2h", "wait", "4821", "2h"),
        ("wait 2 hours 4821", "wait", "4821", "2h"),
        ("4821 wait 1 hour 30 minutes please", "wait", "4821", "1h 30m"),
        ("5 2h", "wait", None, "2h"),
        ("work 4821 3 hrs", "work", "4821", "3h"),
        ("6 4821 sasha", "pass", "4821", "sasha"),
        ("pass sasha", "pass", None, "sasha"),
        # Spanish, with and without its accents
        ("Hecho 4821 lavado", "done", "4821", "lavado"),
        ("mío 4821", "mine", "4821", ""),
        ("espera 4821 2 días", "wait", "4821", "2d"),
        # what no prompt has is for alerts to refuse, and stands there as a guess
        ("3 7777", "done", "7777", ""),
    ],
)  # fmt: skip
def test_what_is_said(text, verb, code, remark):
    """One reading for each; what can't be told for certain is no answer."""
    if verb is None:
        with pytest.raises(UnclearError):
            said(text, OPEN)
    else:
        assert said(text, OPEN) == Said(verb, code, remark)


@pytest.mark.parametrize(
    "text",
    ["", "   ", "?!", "0", "9 4821", "hello", "4821 not me", "fine 4821", "none 4821", "gone 4821", "dose 4821",
     "what is this", "12", "STOP", "stop 4821", "End", "CANCEL", "quit", "Help", "yes", "👍"],
)  # fmt: skip
def test_what_is_no_answer(text):
    """Nothing, small talk, words that mean something else, and those that carriers take for themselves."""
    with pytest.raises(UnclearError):
        said(text, OPEN)


@pytest.mark.parametrize("language", languages())
def test_no_word_is_a_carriers_and_no_two_verbs_share_one(language):
    """A carrier would act on its own word and never bring it; each of ours means one thing in every language."""
    mine = {word: verb for verb, spoken in words_in(language).verbs.items() for word in spoken}
    assert not CARRIERS & set(mine)
    for other in languages():
        for verb, spoken in words_in(other).verbs.items():
            assert {mine.get(word, verb) for word in spoken} == {verb}


@pytest.mark.parametrize("language", languages())
def test_every_word_that_a_message_shows_is_understood(language):
    """Digit, word, and both with the code, for each verb."""
    for digit, verb in DIGITS.items():
        word = words_in(language).verbs[verb][0]
        for text in (f"{digit} 4821", f"4821 {digit}", f"{word} 4821", f"4821 {word.upper()}", f"{digit}4821"):
            assert (said(text, OPEN).verb, said(text, OPEN).code) == (verb, "4821"), text


@given(st.text(max_size=300))
def test_whatever_is_sent_is_read_or_refused(text):
    """Nothing that a phone can send breaks the reader, and a code that it gives is made of digits."""
    try:
        found = said(text, OPEN)
    except UnclearError:
        return
    assert found.code is None or (found.code.isdigit() and 4 <= len(found.code) <= 7)
