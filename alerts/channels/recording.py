"""Keeps messages in memory, and fails when it is told to: for tests and for looking without sending."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar, Self

from alerts.channels.base import Address
from skidhand.errors import ChannelError, SettingsError
from skidhand.model.prompt import Delivery


class RecordingChannel:
    """``sent`` holds what was handed over. While ``failing`` says why, nothing is."""

    name = "recording"
    address: ClassVar[Address] = "none"

    def __init__(self, failing: Callable[[Delivery], str | None] = lambda _: None) -> None:
        self.sent: list[Delivery] = []
        self.failing = failing

    @classmethod
    def open(cls, argument: str) -> Self:
        """``recording``."""
        if argument:
            raise SettingsError(f"channel 'recording:{argument}': recording takes no argument")
        return cls()

    def send(self, delivery: Delivery) -> None:
        """Keep it, or raise ChannelError with the reason that ``failing`` gives."""
        if reason := self.failing(delivery):
            raise ChannelError(f"recording: {reason}")
        self.sent.append(delivery)

    @property
    def texts(self) -> list[str]:
        """The texts handed over, in order."""
        return [delivery.text for delivery in self.sent]


PLUGIN = RecordingChannel
