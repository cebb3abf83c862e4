"""Links that answer a prompt once: which message, which verb, and a seal that nobody can make without the secret."""

from __future__ import annotations

import base64
import hashlib
import hmac
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Final, NamedTuple, get_args
from uuid import UUID

from skidhand.model.prompt import Verb

SECRET: Final = "SKIDHAND_LINKS_SECRET"
VALID: Final = timedelta(days=7)
"""As long as the longest shelving: then the prompt is told anew, with new links."""

OFFERED: Final[tuple[Verb, ...]] = ("acknowledge", "mine", "done", "false", "wait", "pass")
SHORTEST_SECRET: Final = 16
_SEAL: Final = 16
"""Octets of the seal: 128 bits, as RFC 2104 allows for a truncated HMAC (at least half of the hash's)."""


class Link(NamedTuple):
    """Whose message it came with, and what it says."""

    delivery: UUID
    verb: Verb


def token(secret: str, delivery: UUID, verb: Verb) -> str:
    """What stands at the end of the link's address."""
    seal = hmac.digest(secret.encode(), f"{delivery.hex}.{verb}".encode(), hashlib.sha256)[:_SEAL]
    return f"{delivery.hex}.{verb}.{base64.urlsafe_b64encode(seal).decode().rstrip('=')}"


def opened(secret: str, text: str) -> Link | None:
    """The link that ``text`` is the token of; None when it is none of ours."""
    delivery, _, rest = text.partition(".")
    verb = next((one for one in get_args(Verb) if one == rest.partition(".")[0]), None)
    try:
        link = Link(UUID(hex=delivery), verb) if verb in OFFERED else None
    except ValueError:
        return None
    if link is None or not hmac.compare_digest(token(secret, *link).encode(), text.encode()):
        return None
    return link


def addresses(secret: str, base: str, delivery: UUID) -> Iterator[tuple[Verb, str]]:
    """Verb and address of every link of one message."""
    for verb in OFFERED:
        yield verb, f"{base.rstrip('/')}/answer/{token(secret, delivery, verb)}"


def expired(sent: datetime, now: datetime) -> bool:
    """True when links of a message of ``sent`` count no more."""
    return now - sent > VALID
