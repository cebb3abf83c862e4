"""Prints each message as the person would receive it."""

from __future__ import annotations

import sys
from typing import ClassVar, Self, TextIO

from alerts.channels.base import Address
from skidhand.errors import ChannelError, SettingsError
from skidhand.model.prompt import Delivery


class ConsoleChannel:
    """Writes to ``stream``, or to standard output as it is when a message comes."""

    name = "console"
    address: ClassVar[Address] = "none"

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = stream

    @classmethod
    def open(cls, argument: str) -> Self:
        """``console``, ``console:stdout`` or ``console:stderr``."""
        if argument not in ("", "stdout", "stderr"):
            raise SettingsError(f"channel 'console:{argument}': valid are console, console:stdout, console:stderr")
        return cls(sys.stderr if argument == "stderr" else None)

    def send(self, delivery: Delivery) -> None:
        """Two lines: to whom and when it was queued (UTC), and the text."""
        try:
            stream = self._stream or sys.stdout
            stream.write(f"To {delivery.person}, {delivery.queued:%Y-%m-%d %H:%MZ}\n  {delivery.text}\n")
            stream.flush()
        except (OSError, ValueError) as error:  # a closed stream raises ValueError
            raise ChannelError(f"console: cannot write: {error}") from error


PLUGIN = ConsoleChannel
