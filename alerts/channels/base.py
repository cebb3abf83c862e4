"""What a channel is. One file a channel, each exporting its class as ``PLUGIN``."""

from __future__ import annotations

from typing import ClassVar, Literal, Protocol, Self

from skidhand.model.prompt import Delivery

Address = Literal["phone", "email", "none"]
Part = Literal["message", "ring", "copy"]


class Channel(Protocol):
    """A way to reach people. ``name`` is unique; a delivery names it in ``channel``.

    ``address`` is what of a person it sends to: ``phone`` (E.164) or ``email`` of the roster, without which
    that person cannot be reached on it; ``none`` when it reaches no person by itself (a file, a webhook).

    A channel may also say what it is for by a class attribute ``part``: ``message`` (the one text that somebody
    gets; so for a phone unless said otherwise), ``ring`` (a call that wakes, beside the text) or ``copy`` (beside
    the text, always; so for the rest). With ``encloses = True`` it is also given the findings themselves, as
    ``delivery.enclosed``.
    """

    name: str
    address: ClassVar[Address]

    @classmethod
    def open(cls, argument: str) -> Self:
        """Made from what stands behind the colon of ``name:argument``; SettingsError says what is valid."""
        ...

    def send(self, delivery: Delivery) -> str | None:
        """Hand over ``delivery.text`` to ``delivery.address``. Returns once it is handed over.

        Gives the reference by which a receipt will name it, or None where none will come. Raises ChannelError
        when it was not handed over; then it is tried again later; ChannelRefusedError when that cannot help.
        What happens before the return is recorded may happen twice, marked ``delivery.repeat``.
        """
        ...
