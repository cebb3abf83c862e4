"""What must not be told: secrets of gateways, and people's numbers in logs and errors."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Final
from urllib.parse import quote, quote_plus

from skidhand.errors import SettingsError

MASK: Final = "********"
LONGEST: Final = 200
_NUMBER: Final = re.compile(r"\d{7,15}")
"""No phone number that can be called from abroad has more than 15 digits (ITU-T E.164)."""


def secret(variable: str, environment: Mapping[str, str] = os.environ) -> str:
    """What ``variable`` holds, or the file that ``variable``_FILE names; empty when neither is set.

    Raises SettingsError when both are set or the file cannot be read. The value is in no message.
    """
    given, named = environment.get(variable), environment.get(f"{variable}_FILE")
    if given and named:
        raise SettingsError(f"{variable} and {variable}_FILE are both set; give one of them")
    if not named:
        return given or ""
    try:
        return Path(named).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"{variable}_FILE: cannot read {named}: {error}") from error


def masked(text: str, *secrets: str) -> str:
    """``text`` on one line, without ``secrets`` (also as a URL holds them), of each number the last three digits."""
    for one in filter(None, secrets):
        for form in (one, quote(one, safe=""), quote_plus(one)):
            text = text.replace(form, MASK)
    text = _NUMBER.sub(lambda found: "*" * (len(found[0]) - 3) + found[0][-3:], text)
    return " ".join(text.split())[:LONGEST]


def masked_address(address: str) -> str:
    """A number or an e-mail address as a log may hold it: its last digits, or its first letter and its house."""
    name, at, house = address.rpartition("@")
    return f"{name[:1]}***@{house}" if at else masked(address)
