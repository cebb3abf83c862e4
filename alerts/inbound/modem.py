"""Answers that a GSM modem received: files in the inbox of gammu-smsd, read once and put aside."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from itertools import groupby
from pathlib import Path
from types import TracebackType
from typing import Final

import structlog

from alerts.inbound.desk import Desk
from skidhand.errors import OutsideError

PERIOD_S: Final = 1.0
READ: Final = "read"
"""Folder inside the inbox to which files go that were read."""

log = structlog.get_logger(__name__)


class Inbox:
    """Reads ``folder`` while the block lasts. ``reply`` sends a text to a number.

    Names are ``IN<date>_<time>_<serial>_<sender>_<part>.txt`` (gammu-smsd-files(7)); parts of one message have all
    but the last in common.
    """

    def __init__(self, folder: Path, desk: Desk, reply: Callable[[str, str], None]) -> None:
        self._folder = folder
        self._desk = desk
        self._reply = reply
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="inbox", daemon=True)

    def __enter__(self) -> Inbox:
        self._thread.start()
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        self._stop.set()
        self._thread.join()

    def sweep(self) -> int:
        """Read what is there; how many messages that were."""
        found = sorted(path for path in self._folder.glob("IN*.txt") if path.stem.count("_") >= 4)
        messages = [(stem, list(parts)) for stem, parts in groupby(found, lambda path: path.stem.rpartition("_")[0])]
        for stem, parts in messages:
            self._take(stem, parts)
        return len(messages)

    def _take(self, stem: str, parts: Iterable[Path]) -> None:
        parts = list(parts)
        sender = stem.split("_", 3)[3]
        text = "".join(_text(path.read_bytes()) for path in parts)
        # The file's name is the message's number: killed before it is put aside, it is read again and counts once.
        taken = self._desk.text(sender, text, "modem", stem)
        (self._folder / READ).mkdir(exist_ok=True)
        for path in parts:
            path.replace(self._folder / READ / path.name)
        if taken.reply:
            self._reply(sender, taken.reply)

    def _run(self) -> None:
        while not self._stop.wait(PERIOD_S):
            try:
                self.sweep()
            except (OSError, OutsideError) as error:
                log.error("the modem's inbox can't be read", folder=str(self._folder), why=str(error))


def _text(data: bytes) -> str:
    """UTF-16 with its mark and a zero at the end, as ``inboxformat = unicode`` writes it; otherwise UTF-8."""
    marked = data[:2] in (b"\xff\xfe", b"\xfe\xff")
    return data.decode("utf-16" if marked else "utf-8", errors="replace").rstrip("\x00")
