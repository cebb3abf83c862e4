"""What a channel is. One file a channel, each exporting its class as ``PLUGIN``."""

from __future__ import annotations

from typing import Protocol, Self

from skidhand.model.prompt import Delivery


class Channel(Protocol):
    """A way to reach people. ``name`` is unique; a delivery names it in ``channel``."""

    name: str

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
