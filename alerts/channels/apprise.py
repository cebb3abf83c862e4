"""Everything that the apprise library knows: chat rooms, push services and many more, by their apprise addresses."""

from __future__ import annotations

import logging
import warnings
from typing import ClassVar, Final, Self

from alerts.channels.base import Address
from alerts.channels.private import secret
from skidhand.errors import ChannelError, SettingsError
from skidhand.model.prompt import Delivery

NAME: Final = "apprise"
SECRET: Final = "SKIDHAND_APPRISE_SECRET"
"""The addresses, one a line: nearly all hold a token, so they are a secret as a whole."""


class AppriseChannel:
    """Tells every address. One that fails fails the whole, and those that took it get it again, marked a repeat."""

    name = NAME
    address: ClassVar[Address] = "none"

    def __init__(self, addresses: list[str]) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # of what its parts import themselves
            import apprise  # a large library, for whoever uses it

            self._apprise = apprise.Apprise()
            for number, one in enumerate(addresses, 1):
                if not self._apprise.add(one):
                    raise SettingsError(f"channel 'apprise': line {number} of {SECRET} is no address that it knows")
        logging.getLogger("apprise").setLevel(logging.CRITICAL)  # it would log addresses, tokens and all

    @classmethod
    def open(cls, argument: str) -> Self:
        """``apprise``."""
        if argument:
            raise SettingsError(f"channel 'apprise:...': apprise takes no argument; its addresses stand in {SECRET}")
        addresses = secret(SECRET).split()
        if not addresses:
            raise SettingsError(f"channel 'apprise': set {SECRET} or {SECRET}_FILE to its addresses, one a line")
        return cls(addresses)

    def send(self, delivery: Delivery) -> None:
        """Hand over to all; apprise does not say why one failed, so it may always be tried again."""
        try:
            taken = self._apprise.notify(body=delivery.text, title="", body_format="text")
        except Exception as error:  # dozens of services, each with errors of its own
            raise ChannelError(f"apprise: {error.__class__.__name__}") from error
        if not taken:
            raise ChannelError("apprise: at least one of its addresses did not take the message")


PLUGIN = AppriseChannel
