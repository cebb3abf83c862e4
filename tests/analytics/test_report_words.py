"""The words of reports are there in each language."""

from __future__ import annotations

from string import Formatter

from analytics.report_words import EN, ES


def test_each_language_has_the_same_words_with_the_same_gaps():
    """Same keys, and in each text the same names to fill in."""
    assert EN.keys() == ES.keys()
    for key, text in EN.items():
        gaps = [{name for _, name, _, _ in Formatter().parse(one) if name} for one in (text, ES[key])]
        assert gaps[0] == gaps[1], key
