"""The words of messages, one file per language; ``words_in`` finds one."""

from __future__ import annotations

import importlib
import pkgutil
from functools import lru_cache

from alerts.words.base import KindWords, Words
from skidhand.errors import NotFoundError

__all__ = ["KindWords", "Words", "languages", "words_in"]


def languages() -> tuple[str, ...]:
    """Languages that have a file here."""
    return tuple(sorted(info.name for info in pkgutil.iter_modules(__path__) if info.name != "base"))


@lru_cache(maxsize=8)
def words_in(language: str) -> Words:
    """The words of ``language`` (its two-letter code); NotFoundError lists those that there are."""
    if language not in languages():
        raise NotFoundError(f"no words for language {language!r}; there are {', '.join(languages())}")
    words: Words = importlib.import_module(f"alerts.words.{language}").WORDS
    return words
