"""Posts each message as JSON to an address, signed so that the receiver knows who sent it and when."""

from __future__ import annotations

import hashlib
import hmac
import json
from collections.abc import Callable
from datetime import datetime
from typing import ClassVar, Final, Self
from urllib.parse import urlsplit

import httpx
from pydantic import Field, field_validator

from alerts.channels.base import Address
from alerts.channels.described import Described, described
from alerts.channels.http_gateway import RETRIED
from alerts.channels.private import masked, secret
from skidhand.clock import WallClock
from skidhand.errors import ChannelError, ChannelRefusedError, SettingsError
from skidhand.model.prompt import Delivery

NAME: Final = "webhook"
SECRET: Final = "SKIDHAND_WEBHOOK_SECRET"
TIMESTAMP: Final = "Skidhand-Timestamp"
SIGNATURE: Final = "Skidhand-Signature"
SHORTEST_SECRET: Final = 16
PRIVATE: Final = frozenset({"address", "error", "reference"})
"""What the receiver needs not know: where else the person can be reached, and what went wrong before."""


class Hook(Described):
    """The webhook's file."""

    url: str = Field(description="https://host/path; http only for this host")
    timeout: float = Field(5.0, gt=0, le=30, description="seconds for each of connecting, sending and each answer")

    @field_validator("url")
    @classmethod
    def _private(cls, value: str) -> str:
        parts = urlsplit(value)
        local = parts.hostname in ("localhost", "127.0.0.1", "::1")
        if not parts.hostname or parts.username or (parts.scheme != "https" and not (parts.scheme == "http" and local)):
            raise ValueError("must be https://host/path without a password; http for localhost only")
        return value


class WebhookChannel:
    """``Skidhand-Signature`` is HMAC-SHA-256 over timestamp, a dot and the body, in hex, behind ``v1=``."""

    name = NAME
    address: ClassVar[Address] = "none"

    def __init__(self, hook: Hook, key: str, now: Callable[[], datetime] | None = None) -> None:
        self._hook = hook
        self._key = key.encode()
        self._now = now or WallClock().now
        alone = httpx.Limits(max_keepalive_connections=0)
        self._client = httpx.Client(timeout=hook.timeout, follow_redirects=False, limits=alone)

    @classmethod
    def open(cls, argument: str) -> Self:
        """``webhook:webhook.toml``."""
        hook = described(NAME, argument, Hook)
        key = secret(SECRET)
        if len(key) < SHORTEST_SECRET:
            raise SettingsError(f"channel 'webhook': set {SECRET} or {SECRET}_FILE, at least {SHORTEST_SECRET} letters")
        return cls(hook, key)

    def send(self, delivery: Delivery) -> None:
        """One POST. Any 2xx is taken; other 4xx than those that speak of the moment are for good."""
        told = delivery.model_dump(mode="json", exclude=set(PRIVATE))
        body = json.dumps({"v": 1, "delivery": told}, ensure_ascii=False, separators=(",", ":")).encode()
        stamp = str(int(self._now().timestamp()))
        headers = {"Content-Type": "application/json", TIMESTAMP: stamp, SIGNATURE: signature(self._key, stamp, body)}
        try:
            answer = self._client.post(self._hook.url, content=body, headers=headers)
        except (httpx.HTTPError, httpx.InvalidURL, ValueError) as error:
            raise ChannelError(f"webhook: {error.__class__.__name__}: {masked(str(error))}") from error
        if not answer.is_success:
            final = 400 <= answer.status_code < 500 and answer.status_code not in RETRIED
            kind = ChannelRefusedError if final else ChannelError
            raise kind(f"webhook: the receiver answered {answer.status_code}: {masked(answer.text)}")


def signature(key: bytes, timestamp: str, body: bytes) -> str:
    """What stands in the header: ``v1=`` and the seal (RFC 2104 with SHA-256) of ``timestamp.body`` in hex."""
    return "v1=" + hmac.new(key, timestamp.encode() + b"." + body, hashlib.sha256).hexdigest()


PLUGIN = WebhookChannel
