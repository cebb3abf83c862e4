"""The 7-bit alphabet of text messages: what fits into one, and how to say the rest in its letters.

Source: 3GPP TS 23.038 (GSM 03.38), default alphabet and its extension table; part lengths of
concatenated messages from 3GPP TS 23.040 (six octets of header leave 153 septets).
"""

from __future__ import annotations

import unicodedata
from typing import Final

BASIC: Final = frozenset(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
EXTENSION: Final = frozenset("\f^{}\\[~]|€")
"""Sent as an escape and a second septet."""

ONE_TEXT: Final = 160
ONE_PART: Final = 153

_SAID: Final = str.maketrans(
    {"°": "", "µ": "u", "μ": "u", "²": "2", "³": "3", "−": "-", "–": "-", "—": "-", "×": "x", "·": ".", "…": "...",
     "‘": "'", "’": "'", "“": '"', "”": '"', "≤": "<=", "≥": ">=", "→": "->", "\t": " ", "\u00a0": " ", "`": "'"}
)  # fmt: skip


def unfit(text: str) -> str:
    """The letters of ``text`` that the alphabet lacks, in order, each once."""
    return "".join(dict.fromkeys(c for c in text if c not in BASIC and c not in EXTENSION))


def septets(text: str) -> int:
    """Length of ``text``; ValueError names letters that would turn the whole message into UCS-2."""
    if bad := unfit(text):
        raise ValueError(f"not in the GSM 7-bit alphabet: {bad!r}")
    return sum(2 if c in EXTENSION else 1 for c in text)


def parts(text: str) -> list[str]:
    """``text`` cut into message parts; an escape and its second septet stay together."""
    if septets(text) <= ONE_TEXT:
        return [text]
    cut, used, found = 0, 0, []
    for i, c in enumerate(text):
        size = 2 if c in EXTENSION else 1
        if used + size > ONE_PART:
            found.append(text[cut:i])
            cut, used = i, 0
        used += size
    return [*found, text[cut:]]


def fitted(text: str) -> str:
    """``text`` in letters that the alphabet has: known signs spelt out, accents dropped, the rest '?'."""
    return "".join(c if c in BASIC or c in EXTENSION else _plain(c) for c in text.translate(_SAID))


def _plain(letter: str) -> str:
    base = "".join(c for c in unicodedata.normalize("NFKD", letter) if not unicodedata.combining(c))
    return base if base and not unfit(base) else "?"
