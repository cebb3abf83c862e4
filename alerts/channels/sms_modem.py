"""Text messages by a GSM modem: files in the outbox of gammu-smsd, which has the modem (its FILES backend)."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import ClassVar, Final, Self
from uuid import uuid4

from pydantic import Field

from alerts.channels.base import Address, Part
from alerts.channels.described import Described, described
from alerts.channels.private import masked_address
from skidhand.clock import WallClock
from skidhand.errors import ChannelError, ChannelRefusedError
from skidhand.model.prompt import Delivery, Priority

NAME: Final = "sms_modem"
FIRST: Final[dict[Priority, str]] = {"high": "A", "medium": "C", "low": "E"}
"""gammu's letter of urgency: it sends A before B and so on."""


class Modem(Described):
    """Where gammu-smsd looks and writes, as its own configuration names the folders."""

    outbox: Path = Field(description="its outboxpath")
    inbox: Path | None = Field(None, description="its inboxpath, from which answers are read; none: they are not")
    stuck: float = Field(
        300.0, gt=0, description="seconds after which a message that still waits says that the modem is gone"
    )


class SmsModemChannel:
    """A message is handed over once its file stands in the outbox, whole; whether it arrives is not told."""

    name = NAME
    address: ClassVar[Address] = "phone"
    part: ClassVar[Part] = "message"

    def __init__(self, modem: Modem, now: Callable[[], datetime] | None = None) -> None:
        self._modem = modem
        self._now = now or WallClock().now

    @classmethod
    def open(cls, argument: str) -> Self:
        """``sms_modem:sms_modem.toml``."""
        return cls(described(NAME, argument, Modem))

    @property
    def inbox(self) -> Path | None:
        """Where answers come in."""
        return self._modem.inbox

    def send(self, delivery: Delivery) -> None:
        """Write the file. ChannelError when others have waited for long: then the next channel is needed now."""
        number = delivery.address
        if not number.removeprefix("+").isdigit():
            raise ChannelRefusedError(f"sms_modem: to {masked_address(number)}: no number")
        try:
            waiting = list(self._modem.outbox.glob("OUT*"))
            if any(path.name.endswith(f"_{delivery.id}.txt") for path in waiting):
                return  # handed over before, and still there: a second file would be a second message
            if any(self._old(path) for path in waiting):
                raise ChannelError(
                    f"sms_modem: {len(waiting)} messages wait in {self._modem.outbox}, some for more than "
                    f"{self._modem.stuck:.0f} s: does gammu-smsd run, and has the modem a network?"
                )
            self._write(number, delivery.text, FIRST[delivery.priority], str(delivery.id))
        except OSError as error:
            raise ChannelError(f"sms_modem: {self._modem.outbox}: {error.strerror or error}") from error

    def reply(self, number: str, text: str) -> None:
        """What goes back to somebody who answered, behind all prompts."""
        self._write(number, text, "F", str(uuid4()))

    def _write(self, number: str, text: str, urgency: str, note: str) -> None:
        """``OUT<priority><date>_<time>_<serial>_<recipient>_<note>.txt``; gammu must never see half of one.

        UTF-16 with its byte order mark is what it reads the same on any host; without, it takes the host's locale.
        """
        path = self._modem.outbox / f"OUT{urgency}{self._now():%Y%m%d_%H%M%S}_00_{number}_{note}.txt"
        half = path.with_name(f".{note}.part")
        with half.open("wb") as file:
            file.write(b"\xff\xfe" + text.encode("utf-16-le"))
            file.flush()
            os.fsync(file.fileno())
        half.replace(path)

    def _old(self, path: Path) -> bool:
        try:
            written = path.stat().st_mtime
        except FileNotFoundError:  # sent meanwhile
            return False
        return self._now().timestamp() - written > timedelta(seconds=self._modem.stuck).total_seconds()


PLUGIN = SmsModemChannel
