"""Appends each message as one line of JSON, on disk before it counts as handed over."""

from __future__ import annotations

import os
from pathlib import Path
from typing import ClassVar, Self

from alerts.channels.base import Address
from skidhand.errors import ChannelError, SettingsError
from skidhand.model.prompt import Delivery


class FileChannel:
    """One :class:`~skidhand.model.prompt.Delivery` a line in ``path``; the folder must exist."""

    name = "file"
    address: ClassVar[Address] = "none"

    def __init__(self, path: Path | str) -> None:
        self._path = Path(path)

    @classmethod
    def open(cls, argument: str) -> Self:
        """``file:PATH``."""
        if not argument:
            raise SettingsError("channel 'file' needs a path: file:alerts.jsonl")
        return cls(Path(argument).expanduser())

    def send(self, delivery: Delivery) -> None:
        """Append and sync; a line that a crash cut short is ended first, so that it spoils no other."""
        line = delivery.model_dump_json().encode() + b"\n"
        try:
            with self._path.open("ab+") as file:
                if file.tell() > 0:
                    file.seek(-1, os.SEEK_END)
                    line = line if file.read(1) == b"\n" else b"\n" + line
                file.write(line)
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            raise ChannelError(f"file: cannot append to {self._path}: {error}") from error


PLUGIN = FileChannel
