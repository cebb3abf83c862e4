"""Text messages through a gateway that takes them by HTTP, as its file describes."""

from __future__ import annotations

from typing import ClassVar, Final, Self

from alerts.channels.base import Address, Part
from alerts.channels.http_gateway import HttpGateway
from skidhand.model.prompt import Delivery

NAME: Final = "sms_http"


class SmsHttpChannel:
    """Sends each message with one request; the gateway cuts and joins what is longer than one text."""

    name = NAME
    address: ClassVar[Address] = "phone"
    part: ClassVar[Part] = "message"

    def __init__(self, gateway: HttpGateway) -> None:
        self._gateway = gateway

    @classmethod
    def open(cls, argument: str) -> Self:
        """``sms_http:sms_http.toml``."""
        return cls(HttpGateway.open(NAME, argument))

    def send(self, delivery: Delivery) -> str | None:
        """Hand over to the gateway; ChannelError says what it answered, numbers and secrets masked."""
        return self._gateway.send(delivery)


PLUGIN = SmsHttpChannel
