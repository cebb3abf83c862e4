"""A ring that wakes, through a gateway that calls and reads out a text, as its file describes.

A text message wakes nobody. What is read out stands in that file; a sentence that sends the person to the text
message is best, because a voice mumbles through numbers and codes.
"""

from __future__ import annotations

from typing import ClassVar, Final, Self

from alerts.channels.base import Address, Part
from alerts.channels.http_gateway import HttpGateway
from skidhand.model.prompt import Delivery

NAME: Final = "voice_http"


class VoiceHttpChannel:
    """Calls with one request; whether the call is answered, the gateway's receipt tells."""

    name = NAME
    address: ClassVar[Address] = "phone"
    part: ClassVar[Part] = "ring"

    def __init__(self, gateway: HttpGateway) -> None:
        self._gateway = gateway

    @classmethod
    def open(cls, argument: str) -> Self:
        """``voice_http:voice_http.toml``."""
        return cls(HttpGateway.open(NAME, argument))

    def send(self, delivery: Delivery) -> str | None:
        """Have the person called; ChannelError says what the gateway answered, numbers and secrets masked."""
        return self._gateway.send(delivery)


PLUGIN = VoiceHttpChannel
