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
    steps: Mapping[str, str] = field(default_factory=dict)  # English sentence of a finding -> this language's

    def __call__(self, key: str, **gaps: object) -> str:
        """The text of ``key``; KeyError when this language has none."""
        text = self.texts[key]
        return text.format(**gaps) if gaps else text

    def what(self, kind: str, unit: str) -> str:
        """What is the matter, as a sentence without its full stop."""
        return self.kinds.get(kind, "{unit}: " + kind.replace("-", " ")).format(unit=unit)

    def step(self, said: str) -> tuple[str, str]:
        """A finding's first step, and the language that it is in: as written where there is no translation."""
        return (self.steps[said], self.language) if said in self.steps else (said, DEFAULT)

    def cause(self, cause: str | None) -> str:
        """The cause in words; empty when there is none or it is what the kind says already."""
        return "" if cause is None else self.causes.get(cause, cause.replace("-", " "))

    def number(self, name: str) -> str:
        """What a figure of evidence is called."""
        return self.numbers.get(name, name.replace("_", " "))


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
