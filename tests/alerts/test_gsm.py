"""Septets and parts, against 3GPP TS 23.038 (alphabet) and TS 23.040 (parts)."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts import gsm

LETTERS = "".join(sorted(gsm.BASIC | gsm.EXTENSION))


@pytest.mark.parametrize(
    ("text", "septets", "parts"),
    [
        ("a" * 160, 160, 1),
        ("a" * 161, 161, 2),
        ("a" * 306, 306, 2),
        ("a" * 307, 307, 3),
        ("{" * 80, 160, 1),
        ("{" * 81, 162, 2),
        ("€", 2, 1),
        ("ΔP", 2, 1),
        ("", 0, 1),
    ],
)
def test_lengths(text, septets, parts):
    """160 septets in one message, 153 in each of several; the extension table costs two (TS 23.038, 23.040)."""
    assert (gsm.septets(text), len(gsm.parts(text))) == (septets, parts)


def test_the_alphabet_is_whole():
    """The default alphabet has 127 letters beside the escape, the extension table ten (TS 23.038, 6.2.1)."""
    assert len(gsm.BASIC) == 127
    assert len(gsm.EXTENSION) == 10
    assert not gsm.BASIC & gsm.EXTENSION


@pytest.mark.parametrize("letter", ["°", "µ", "✓", "³", "`", "ç", "\t"])
def test_what_is_not_in_it_is_named(letter):
    """One such letter would turn the whole message into UCS-2, so it is refused and named."""
    with pytest.raises(ValueError, match="not in the GSM"):
        gsm.septets(f"25 {letter}C")
    assert gsm.unfit(f"a{letter}b{letter}") == letter


@given(st.text(LETTERS, max_size=700))
def test_parts_split_no_escape_and_lose_nothing(text):
    """Every part fits, all parts together are the text, and no part begins in the middle of an escape pair."""
    parts = gsm.parts(text)
    assert "".join(parts) == text
    most = gsm.ONE_TEXT if len(parts) == 1 else gsm.ONE_PART
    assert all(gsm.septets(part) <= most for part in parts)
    # A part is left short of 153 only by one septet, and only where the next letter needs two.
    for part, following in pairwise(parts):
        room = gsm.ONE_PART - gsm.septets(part)
        assert room == 0 or (room == 1 and following[0] in gsm.EXTENSION)


@given(st.text(max_size=200))
def test_anything_can_be_said_in_its_letters(text):
    """``fitted`` always gives letters of the alphabet, and leaves alone what is of it already."""
    said = gsm.fitted(text)
    assert gsm.unfit(said) == ""
    assert gsm.fitted(said) == said


def test_known_signs_are_spelt_out():
    """A reader still knows what was meant."""
    assert gsm.fitted("25 °C, 3 µm, 5 m³/h – Łódź") == "25 C, 3 um, 5 m3/h - ?odz"
