"""The board's words, a file a language beside its words of the trade; ``words_in`` finds one.

A key that is missing is an error, and a test holds the languages to the same keys.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

from board.words.phrases import Phrases

DEFAULT: Final = "en"


@dataclass(frozen=True)
class Words:
    """One language: ``t("fleet.title")`` gives a text, ``t("fleet.since", when="14:20")`` fills its gaps."""

    language: str
    name: str
    texts: Mapping[str, str]
    kinds: Mapping[str, str]  # finding kind -> what is the matter, {unit} in it
    causes: Mapping[str, str]
    hazards: Mapping[str, str]  # the caution in full
    numbers: Mapping[str, str]
    weekdays: tuple[str, ...]
    months: tuple[str, ...]
    figures: Phrases = field(default_factory=lambda: Phrases({}))  # names of figures that ``numbers`` has not
    phrases: Phrases = field(default_factory=lambda: Phrases({}))  # what other rooms write in English

    def __call__(self, key: str, **gaps: object) -> str:
        """The text of ``key``; KeyError when this language has none."""
        text = self.texts[key]
        return text.format(**gaps) if gaps else text

    def what(self, kind: str, unit: str) -> str:
        """What is the matter, as a sentence without its full stop."""
        return self.kinds.get(kind, "{unit}: " + kind.replace("-", " ")).format(unit=unit)

    def spoken(self, text: str) -> tuple[str, str]:
        """What another room wrote in English, and the language it is in now: as written where there is no other."""
        other = self.phrases(text)
        return (text, DEFAULT) if other is None else (other, self.language)

    def said(self, text: str) -> str:
        """:meth:`spoken` without its language, part by part between semicolons; as a whole if a part is unknown."""
        parts = text.split("; ")
        if None in (said := [self.phrases(part) for part in parts]) and (whole := self.phrases(text)) is not None:
            return whole
        return "; ".join(part if other is None else other for part, other in zip(parts, said, strict=True))

    def kind(self, kind: str) -> str:
        """A kind of finding in a word or two, where :meth:`what` would be too long."""
        return self.said(kind.replace("-", " "))

    def cause(self, cause: str | None) -> str:
        """The cause in words; empty when there is none or it is what the kind says already."""
        return "" if cause is None else self.causes.get(cause, self.said(cause.replace("-", " ")))

    def number(self, name: str) -> str:
        """What a figure of evidence is called."""
        spaced = name.replace("_", " ")
        return self.numbers.get(name) or self.figures(spaced) or spaced


def languages() -> tuple[str, ...]:
    """Languages that have a file here."""
    return tuple(sorted(info.name for info in pkgutil.iter_modules(__path__) if len(info.name) == 2))


@lru_cache(maxsize=8)
def words_in(language: str) -> Words:
    """The words of ``language``, of English where there is no such file."""
    known = language if language in languages() else DEFAULT
    words: Words = importlib.import_module(f"board.words.{known}").WORDS
    return words


def preferred(accept: str) -> str:
    """The first of the browser's languages (``Accept-Language``) that has a file here."""
    for part in accept.split(","):
        code = part.split(";")[0].strip()[:2].lower()
        if code in languages():
            return code
    return DEFAULT
