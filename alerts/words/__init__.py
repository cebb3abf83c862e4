"""The words of messages, one file per language; ``words_in`` finds one."""

from __future__ import annotations

import importlib
import pkgutil
from functools import lru_cache
from typing import Final

from alerts.words.base import KindWords, Words

__all__ = ["KindWords", "Words", "languages", "words_in"]


def languages() -> tuple[str, ...]:
    """Languages that have a file here."""
    return tuple(sorted(info.name for info in pkgutil.iter_modules(__path__) if info.name != "base"))


FALLBACK: Final = "en"


@lru_cache(maxsize=8)
def words_in(language: str) -> Words:
    """The words of ``language`` (its two-letter code); English where there are none: who is called must be told."""
    known = language if language in languages() else FALLBACK
    words: Words = importlib.import_module(f"alerts.words.{known}").WORDS
    return words
