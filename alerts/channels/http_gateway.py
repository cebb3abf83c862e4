"""What text and voice gateways have in common: one HTTP request a message, as the gateway's file describes it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Final, Literal
from urllib.parse import quote, urlsplit

import httpx
from pydantic import Field, field_validator, model_validator

from alerts.channels.described import Described, described
from alerts.channels.private import masked, masked_address, secret
from skidhand.errors import ChannelError, ChannelRefusedError, SettingsError
from skidhand.model.prompt import Delivery

FIELDS: Final = ("to", "digits", "text", "id", "channel", "secret", "key")
KEY: Final = "SKIDHAND_LISTEN_SECRET"
"""The listener's own secret, which a gateway must give when it brings a receipt or an answer."""

RETRIED: Final = frozenset({408, 425, 429})
"""Statuses of the 4xx class that speak of this moment and not of the message (RFC 9110, 8470 and 6585)."""

_FIELD: Final = re.compile(r"\{(\w*)\}")


class Gateway(Described):
    """The gateway's file. FIELDS in braces are filled in for each message."""

    url: str = Field(description="http(s)://host/path; fields may stand behind the host")
    method: Literal["GET", "POST"] = Field("GET", description="HTTP method")
    body: Literal["form", "json"] = Field("form", description="how a POST carries params")
    params: dict[str, str] = Field(min_length=1, description="the gateway's name of each parameter and its value")
    headers: dict[str, str] = Field({}, description="HTTP headers of the request")
    success: tuple[Annotated[int, Field(ge=200, le=299)], ...] = Field(
        (200, 201, 202), min_length=1, description="statuses that mean taken"
    )
    success_text: re.Pattern[str] | None = Field(None, description="must also be found in the answer")
    reference: re.Pattern[str] | None = Field(
        None, description="finds the gateway's own number of the message in its answer, as the first group"
    )
    timeout: float = Field(5.0, gt=0, le=30, description="seconds for each of connecting, sending and each answer")

    @field_validator("url")
    @classmethod
    def _plain_url(cls, value: str) -> str:
        parts = urlsplit(value)
        host = parts.hostname or ""
        if (
            parts.scheme not in ("http", "https")
            or not host
            or "{" in host
            or parts.username is not None
            or parts.query
        ):
            raise ValueError("must be http(s)://host/path; what is asked stands in params, a secret in no file")
        return value

    @field_validator("reference")
    @classmethod
    def _one_group(cls, value: re.Pattern[str] | None) -> re.Pattern[str] | None:
        if value is not None and value.groups != 1:
            raise ValueError("must have exactly one group, which is the reference")
        return value

    @model_validator(mode="after")
    def _known_fields(self) -> Gateway:
        used = {name for template in self.templates() for name in _FIELD.findall(template)}
        if unknown := sorted(used - set(FIELDS)):
            raise ValueError(f"{{{unknown[0]}}} is unknown; there are {', '.join(f'{{{name}}}' for name in FIELDS)}")
        return self

    def templates(self) -> tuple[str, ...]:
        """Everything in which a field may stand."""
        return (self.url, *self.params.values(), *self.headers.values())

    def uses(self, field: str) -> bool:
        """True when ``field`` stands somewhere."""
        return any(f"{{{field}}}" in template for template in self.templates())


class HttpGateway:
    """One gateway under the name of its channel. A redirect is a failure: the secret goes nowhere else."""

    def __init__(self, channel: str, gateway: Gateway, key: str = "", listener_key: str = "") -> None:
        self._channel = channel
        self._gateway = gateway
        self._key = key
        self._listener_key = listener_key
        # Messages are minutes apart: a connection kept open would be one that the gateway has closed meanwhile.
        alone = httpx.Limits(max_keepalive_connections=0)
        self._client = httpx.Client(timeout=gateway.timeout, follow_redirects=False, limits=alone)

    @classmethod
    def open(cls, channel: str, argument: str) -> HttpGateway:
        """From the file ``argument``, with the secrets that it uses from the environment."""
        gateway = described(channel, argument, Gateway)
        keys = []
        for field, variable in (("secret", f"SKIDHAND_{channel.upper()}_SECRET"), ("key", KEY)):
            keys.append(secret(variable) if gateway.uses(field) else "")
            if gateway.uses(field) and not keys[-1]:
                raise SettingsError(
                    f"channel '{channel}': {argument} uses {{{field}}}; set {variable} or {variable}_FILE"
                )
        return cls(channel, gateway, *keys)

    def send(self, delivery: Delivery) -> str | None:
        """One request; gives the reference for receipts. Errors say what the gateway answered, numbers masked."""
        values = {
            "to": delivery.address,
            "digits": delivery.address.removeprefix("+"),
            "text": delivery.text,
            "id": str(delivery.id),
            "channel": self._channel,
            "secret": self._key,
            "key": self._listener_key,
        }
        answer = self._ask(delivery, values)
        if answer.status_code not in self._gateway.success:
            told = 400 <= answer.status_code < 500 and answer.status_code not in RETRIED
            kind = ChannelRefusedError if told else ChannelError
            raise self._error(delivery, f"the gateway answered {answer.status_code}: {answer.text}", kind)
        if (wanted := self._gateway.success_text) and not wanted.search(answer.text):
            raise self._error(delivery, f"the gateway answered {answer.status_code}: {answer.text}")
        if self._gateway.reference is None:
            return str(delivery.id)
        found = self._gateway.reference.search(answer.text)
        return found[1] if found else None

    def _ask(self, delivery: Delivery, values: Mapping[str, str]) -> httpx.Response:
        gateway = self._gateway
        form = {name: _filled(text, values) for name, text in gateway.params.items()}
        posted = gateway.method == "POST"
        try:
            return self._client.request(
                gateway.method,
                _filled(gateway.url, {name: quote(value, safe="") for name, value in values.items()}),
                params=None if posted else form,
                data=form if posted and gateway.body == "form" else None,
                json=form if posted and gateway.body == "json" else None,
                headers={name: _filled(text, values) for name, text in gateway.headers.items()},
            )
        except (httpx.HTTPError, httpx.InvalidURL, ValueError) as error:
            raise self._error(delivery, f"{error.__class__.__name__}: {error}") from error

    def _error(self, delivery: Delivery, why: str, kind: type[ChannelError] = ChannelError) -> ChannelError:
        told = masked(why, self._key, self._listener_key)
        return kind(f"{self._channel}: to {masked_address(delivery.address)}: {told}")


def _filled(template: str, values: Mapping[str, str]) -> str:
    """Every field replaced once: a message that itself holds ``{secret}`` stays as it is."""
    return _FIELD.sub(lambda found: values[found[1]], template)
