"""What runs beside the requests: a fresh summary every tick, and a heartbeat."""

from __future__ import annotations

import os
import socket
from typing import TYPE_CHECKING, Final

import structlog

from skidhand import __version__, plugins
from skidhand.clock import WallClock, monotonic
from skidhand.errors import SkidhandError
from skidhand.model.heartbeat import Heartbeat
from skidhand.units import convert

if TYPE_CHECKING:
    from board.house import House

LOOK_S: Final = 1.0
BEAT_S: Final = 10.0


def keep_up(house: House) -> None:
    """Until the house stops: look once a second whether anything has changed, beat every ten."""
    log = structlog.get_logger(__name__)
    instance, next_beat, told = f"{socket.gethostname()}:{os.getpid()}", 0.0, ""
    while not house.stopping.is_set():
        try:
            house.summary.refresh()
            if monotonic() >= next_beat:
                house.logbook.heartbeats.beat(_heartbeat(house, instance))
                next_beat = monotonic() + BEAT_S
            told = ""
        except SkidhandError as error:  # waited out; said once, not every second
            if str(error) != told:
                log.error("the board can't read", why=str(error))
            told = str(error)
        house.stopping.wait(LOOK_S)


def warm_up() -> None:
    """Load what the first viewer would wait for: unit types, detectors' needs, the table of units."""
    plugins.load("unit_type")
    plugins.load("detector")
    convert(1.0, "[psi]", "kPa")


def _heartbeat(house: House, instance: str) -> Heartbeat:
    summary = house.summary.last
    figures = {} if summary is None else {"skids": float(len(summary.lines)), "summary_ms": summary.took_ms}
    return Heartbeat(service="board", instance=instance, at=WallClock().now(), version=__version__, figures=figures)
