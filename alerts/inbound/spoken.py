"""What a typed answer says: one of a few verbs, the code it answers, and a remark. Pure: no clock, no logbook.

Made for gloved hands and a phone that corrects: one digit will do, digit and code may stand in either order or
together, letters may be of any case, accents and one wrong letter are forgiven.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from alerts.words import languages, words_in
from skidhand.errors import UserError
from skidhand.model.prompt import Verb

DIGITS: Final[Mapping[str, Verb]] = {
    "1": "acknowledge", "2": "mine", "3": "done", "4": "false", "5": "wait", "6": "pass", "7": "work",
}  # fmt: skip
CARRIERS: Final = frozenset(
    {"stop", "stopall", "unsubscribe", "cancel", "end", "quit", "help", "info", "start", "unstop", "yes", "revoke",
     "optout", "arret", "baja", "alto", "ayuda"}
)  # fmt: skip
"""Words that carriers and gateways take for themselves (opt-out, opt-in, help), so none of ours may be one of them.

The first six of opt-out and ``help`` stand in the CTIA Messaging Principles and Best Practices; the rest are common
practice, no source."""

LONGEST: Final = 480
"""Three texts; nobody types more, and what is cut off is only remark."""

_FILLER: Final = frozenset({"answer", "reply", "code", "respuesta", "codigo", "re", "ok", "okay"})
"""Words before or between verb and code that say nothing; ``ok`` alone is a verb (acknowledge)."""

_LOOKALIKES: Final = str.maketrans({"o": "0", "l": "1", "i": "1"})
_KEYS: Final = ("qwertyuiop", "asdfghjkl", "zxcvbnm")
_NEIGHBOURS: Final = {
    key: "".join(other[max(0, i - 1) : i + 2] for other in _KEYS[max(0, r - 1) : r + 2]).replace(key, "")
    for r, row in enumerate(_KEYS)
    for i, key in enumerate(row)
}
"""Keys beside a key: ``fine`` is no slip of ``mine``, nor ``none`` of ``done``; they have a meaning of their own."""

_TIMED: Final = frozenset({"wait", "work"})
_DURATION: Final = re.compile(
    r"(?<!\w)(\d{1,4})\s*(m|min|mins|minutes?|minutos?|h|hrs?|hours?|horas?|d|days?|dias?)(?!\w)", re.IGNORECASE
)


class UnclearError(UserError):
    """A text that is no answer; the message says why."""


@dataclass(frozen=True, slots=True)
class Said:
    """``code`` is None when the text names none: then it is for the one prompt that its sender was told of."""

    verb: Verb
    code: str | None
    text: str = ""


def said(text: str, codes: Collection[str]) -> Said:
    """What ``text`` says; ``codes`` are those of open prompts, which tell ``34821`` from a code of five digits.

    A code alone acknowledges. UnclearError when there is no verb that can be told for certain.
    """
    tokens = list(_tokens(text[:LONGEST]))
    if not tokens or _plain(tokens[0]) in CARRIERS:
        raise UnclearError(
            "it is empty" if not tokens else f"{tokens[0]!r} is a word that carriers take for themselves"
        )
    verb: Verb | None = None
    code: str | None = None
    seen_ok = False
    while tokens and (verb is None or code is None):
        word = _plain(tokens[0])
        found = _resolved(word, codes, code is None, verb is None)
        if found == (None, None):
            if word not in _FILLER:
                break
            seen_ok |= word.startswith("ok")
        verb, code = found[0] or verb, found[1] or code
        tokens.pop(0)
    code = code or _buried(tokens, codes)
    if verb is None and not tokens and (code or seen_ok):
        verb = "acknowledge"
    if verb is None:
        raise UnclearError("it says nothing that can be told for certain")
    return Said(verb, code, _remark(verb, " ".join(tokens)))


def _resolved(word: str, codes: Collection[str], code_open: bool, verb_open: bool) -> tuple[Verb | None, str | None]:
    """The verb, the code, or both that one word gives; (None, None) for any other word."""
    if not word.isdigit():
        return (_verb(word) if verb_open else None), None
    if verb_open and word in DIGITS:
        return DIGITS[word], None
    if not code_open or not 4 <= len(word) <= 7:
        return None, None
    if word in codes:
        return None, word
    if verb_open and word[0] in DIGITS and word[1:] in codes:
        return DIGITS[word[0]], word[1:]
    if verb_open and word[-1] in DIGITS and word[:-1] in codes:
        return DIGITS[word[-1]], word[:-1]
    return None, word  # no such prompt: it is for alerts to refuse it


def _buried(tokens: list[str], codes: Collection[str]) -> str | None:
    """A known code that stands within the remark, and no longer does."""
    at = next((i for i, token in enumerate(tokens) if token in codes), None)
    return None if at is None else tokens.pop(at)


def _remark(verb: Verb, text: str) -> str:
    """The rest; for a verb that takes a time, the times alone in short form."""
    if verb not in _TIMED:
        return text
    times = _DURATION.findall("".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c)))
    return " ".join(f"{number}{unit[0].lower()}" for number, unit in times) or text


def _tokens(text: str) -> Iterator[str]:
    """Words without the marks around them; digits that were typed one by one are one number."""
    run = ""
    for token in re.split(r"[\s,;:=+/#]+|(?<=\d)-(?=\d)", unicodedata.normalize("NFKC", text)):
        bare = token.strip(".!?\"'()[]<>*_-…’‘“”")
        if len(bare) == 1 and bare.isdigit() and bare.isascii():
            run += bare
            continue
        yield from _run(run)
        run = ""
        if bare:
            yield bare
    yield from _run(run)


def _run(digits: str) -> Iterator[str]:
    """Three and more single digits in a row are one number; fewer stay what they are."""
    yield from ([digits] if len(digits) > 2 else digits)


def _plain(word: str) -> str:
    """Small letters without accents; letters that look like digits are digits where they stand among digits."""
    bare = "".join(c for c in unicodedata.normalize("NFKD", word.casefold()) if not unicodedata.combining(c))
    mended = bare.translate(_LOOKALIKES)
    return mended if len(bare) > 2 and mended.isdigit() and any(c.isdigit() for c in bare) else bare


def _verb(word: str) -> Verb | None:
    exact, shown = _vocabulary()
    if word in exact:
        return exact[word]
    near = {verb for known, verb in shown.items() if len(word) >= 4 and word not in CARRIERS and _one_off(word, known)}
    return near.pop() if len(near) == 1 else None


@lru_cache(maxsize=1)
def _vocabulary() -> tuple[dict[str, Verb], dict[str, Verb]]:
    """Every word of every language, and those of them that messages show, which alone are forgiven a slip."""
    exact: dict[str, Verb] = {}
    shown: dict[str, Verb] = {}
    for language in languages():
        for verb, spoken in words_in(language).verbs.items():
            exact |= {_plain(word): verb for word in spoken}
            shown[_plain(spoken[0])] = verb
    return exact, shown


def _one_off(word: str, known: str) -> bool:
    """True when one slip makes ``word`` of ``known``: a letter twice or missing, two swapped, a neighbouring key."""
    if len(known) < 4 or abs(len(word) - len(known)) > 1:
        return False
    at = next((i for i, (a, b) in enumerate(zip(word, known, strict=False)) if a != b), min(len(word), len(known)))
    a, b = word[at:], known[at:]
    if len(word) == len(known):
        return (a[1:] == b[1:] and b[0] in _NEIGHBOURS.get(a[0], "")) or (
            len(a) > 1 and a[0] == b[1] and a[1] == b[0] and a[2:] == b[2:]
        )
    return a == b[1:] if len(word) < len(known) else a[1:] == b and word[at] in word[at - 1 : at]
