"""What every request works with: store, logbook, clock, settings, and what is kept between requests."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from datetime import datetime

from fastapi import Request

from board.facts import Reading
from board.limits import SignInLimit
from board.summary import SummaryKeeper
from skidhand.clock import Clock, WallClock
from skidhand.errors import NotFoundError, UserError
from skidhand.fleet import FleetVersion
from skidhand.logbook import Logbook
from skidhand.settings import Board
from skidhand.stores.base import Store


@dataclass
class House:
    """One per app, at ``request.app.state.house`` (see :func:`house_of`)."""

    store: Store
    logbook: Logbook
    settings: Board
    clock: Clock
    limit: SignInLimit = field(default_factory=SignInLimit)
    stopping: threading.Event = field(default_factory=threading.Event)
    live: dict[str, tuple[float, dict[str, Reading]]] = field(default_factory=dict)
    live_lock: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        self.summary = SummaryKeeper(self.store, self.logbook, self.clock)
        self._fleet: FleetVersion | None = None

    def now(self) -> datetime:
        """The clock's time; of a stream that has announced nothing, the machine's."""
        return self.clock.now() or WallClock().now()

    def fleet(self) -> FleetVersion:
        """The version in force; UserError when there is none."""
        digest = self.logbook.fleets.digest()
        if self._fleet is None or self._fleet.digest != digest:
            found = self.logbook.fleets.current()
            if found is None:
                raise UserError("no fleet version is in force; run: skidhand check FLEET.yaml --apply")
            self._fleet = found
        return self._fleet


def house_of(request: Request) -> House:
    """The house of this request's app."""
    house: House = request.app.state.house
    return house


def not_here(what: str, name: str) -> NotFoundError:
    """What is answered for a thing that is not there, and for one that this viewer may not see."""
    return NotFoundError(f"there is no {what} {name!r} here")
