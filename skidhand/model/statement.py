"""A report that was sent, frozen: later data make a correction with a number, never another first one."""

from __future__ import annotations

import hashlib
from typing import Any, Literal

import orjson
from pydantic import AwareDatetime, Field

from skidhand.model.finding import Shape


class Statement(Shape):
    """What was told of one subject over one period. ``number`` 0 is the first one, others are corrections."""

    v: Literal[1] = 1
    key: str = Field(max_length=128, description="subject and period")
    number: int = Field(0, ge=0)
    issued: AwareDatetime
    who: str
    digest: str = Field(description="SHA-256 of the figures")
    figures: dict[str, Any]


def digest_of(figures: dict[str, Any]) -> str:
    """SHA-256 in hex of figures as JSON with sorted keys: equal figures, equal digest."""
    return hashlib.sha256(orjson.dumps(figures, option=orjson.OPT_SORT_KEYS)).hexdigest()
