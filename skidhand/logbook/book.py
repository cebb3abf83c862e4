"""The logbook as rooms use it: one object, its parts by concern."""

from __future__ import annotations

from types import TracebackType

from skidhand.clock import Clock, ClockKind, StreamClock, WallClock
from skidhand.logbook.analysis import AnalysisBook
from skidhand.logbook.board import AuditBook, SessionBook, UserBook
from skidhand.logbook.database import Database
from skidhand.logbook.entries import EntryBook, StatementBook
from skidhand.logbook.look import LookBook
from skidhand.logbook.postings import PostingBook
from skidhand.logbook.prompts import AnswerBook, PromptBook
from skidhand.logbook.services import ClockBook, FleetBook, HeartbeatBook, LeaseBook
from skidhand.logbook.work import WorkBook


class Logbook:
    """Opens the logbook at ``url`` (a path, or an SQLAlchemy URL) and creates it if it is new.

    ``analysis`` findings, states, cursors, snapshots · ``fleets`` versions · ``heartbeats`` · ``leases`` ·
    ``clock`` announced stream time · ``prompts`` with transitions and deliveries · ``answers`` · ``work`` ·
    ``entries`` · ``statements`` and their ``postings`` · the board's ``users``, ``sessions`` and ``audit`` ·
    ``look`` what pages read over and over.
    """

    def __init__(self, url: str) -> None:
        self.database = Database(url)
        self.analysis = AnalysisBook(self.database)
        self.fleets = FleetBook(self.database)
        self.heartbeats = HeartbeatBook(self.database)
        self.leases = LeaseBook(self.database)
        self.clock = ClockBook(self.database)
        self.prompts = PromptBook(self.database)
        self.answers = AnswerBook(self.database)
        self.work = WorkBook(self.database)
        self.entries = EntryBook(self.database)
        self.statements = StatementBook(self.database)
        self.postings = PostingBook(self.database)
        self.users = UserBook(self.database)
        self.sessions = SessionBook(self.database)
        self.audit = AuditBook(self.database)
        self.look = LookBook(self.database)

    def guard_clock(self, kind: ClockKind) -> None:
        """Fix this logbook's kind of clock for life; ClockMismatchError when it has the other one."""
        self.database.guard_clock(kind)

    def open_clock(self, kind: ClockKind) -> Clock:
        """The clock of that kind, after :meth:`guard_clock`; a stream clock follows the announced time."""
        self.guard_clock(kind)
        return WallClock() if kind == "wall" else StreamClock(self.clock.announced)

    def close(self) -> None:
        """Let go of the database."""
        self.database.close()

    def __enter__(self) -> Logbook:
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        self.close()
