"""What a channel is. One file a channel, each exporting its class as ``PLUGIN``."""

from __future__ import annotations

from typing import ClassVar, Literal, Protocol, Self

from skidhand.model.prompt import Delivery

Address = Literal["phone", "email", "none"]


class Channel(Protocol):
    """A way to reach people. ``name`` is unique; a delivery names it in ``channel``.

    ``address`` is what of a person it sends to: ``phone`` (E.164) or ``email`` of the roster, without which
    that person cannot be reached on it; ``none`` when it reaches no person by itself (a file, a webhook).
    """

    name: str
    address: ClassVar[Address]

    @classmethod
    def open(cls, argument: str) -> Self:
        """Made from what stands behind the colon of ``name:argument``; SettingsError says what is valid."""
        ...

    def send(self, delivery: Delivery) -> None:
        """Hand over ``delivery.text`` to ``delivery.address``. Returns once it is handed over.

        Raises ChannelError when it was not; then it is tried again later. What happens before the
        return is recorded may happen twice, marked ``delivery.repeat``.
        """
        ...
