"""Sentences that other rooms write in English (evidence, notes, history), in another language, by their English.

A pattern may have gaps, ``{}``: what stands in a gap goes through the same list, then into the translation's gaps
in order, or where it is numbered (``{1} ... {0}``).
"""

from __future__ import annotations

import re
from collections.abc import Mapping


class Phrases:
    """``phrases("flow is 3; oil is 2 times")`` gives the translation, None where there is none."""

    def __init__(self, pairs: Mapping[str, str]) -> None:
        self.translations = tuple(pairs.values())
        self._whole = {english: other for english, other in pairs.items() if "{}" not in english}
        self._gapped = [(_pattern(english), other) for english, other in pairs.items() if "{}" in english]
        # What says most stands first, or a bare "{} alone" would take a longer sentence apart.
        self._gapped.sort(key=lambda pair: -len(pair[0].pattern))

    def __call__(self, text: str) -> str | None:
        """The translation of ``text``, or None."""
        if text in self._whole:
            return self._whole[text]
        for pattern, other in self._gapped:
            found = pattern.fullmatch(text)
            if found:
                return other.format(*(self(gap) or gap for gap in found.groups()))
        return None


def _pattern(english: str) -> re.Pattern[str]:
    return re.compile("(.+?)".join(map(re.escape, english.split("{}"))), re.DOTALL)
