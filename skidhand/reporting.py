"""Writes reports to files, keeps statements as they were sent, and sends those that the fleet file orders.

A report is e-mailed once to each person. Its row is written before, its statement frozen at the first try, and the
row closed when the mail server has taken it; a power cut between these two sends it again with the same Message-ID.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import date, datetime, timedelta
from email.message import EmailMessage
from pathlib import Path
from typing import Final, Protocol, cast
from uuid import NAMESPACE_URL, uuid5
from zoneinfo import ZoneInfo

import structlog

from analytics.report_document import csv_zip, head, html, pdf
from analytics.report_figures import Figures
from analytics.report_gather import Period, Scope, gather, period_of
from analytics.report_words import ReportWords
from board.words import words_in
from skidhand import __version__
from skidhand.clock import Clock, WallClock
from skidhand.errors import ChannelError, ChannelRefusedError, NotFoundError, OutsideError, UserError
from skidhand.fleet import Fleet, FleetVersion
from skidhand.fleet.reports import Every, ReportOrder, zone_name
from skidhand.logbook import Logbook
from skidhand.logbook.postings import Posting
from skidhand.model.heartbeat import Heartbeat
from skidhand.model.statement import Statement, digest_of
from skidhand.stores.base import Store

SUFFIXES: Final = (".html", ".pdf")
LEASE: Final = "report"
LEASE_S: Final = 1800.0  # longer than one skid or one PDF takes; renewed with each
BACK: Final = {"day": 7, "week": 14, "month": 45}
"""Days that the sender may have been off before a period's report is left to ``skidhand report``."""

FIRST_WAIT: Final = timedelta(minutes=5)
LONGEST_WAIT: Final = timedelta(hours=6)
SENDER: Final = "skidhand"
log = structlog.get_logger()


class Carrier(Protocol):
    """Something that e-mails a whole message: the e-mail channel."""

    @property
    def sender(self) -> str:
        """The From address."""
        ...

    def hand_over(self, mail: EmailMessage, address: str) -> None:
        """ChannelError when it may pass later, ChannelRefusedError when it will not."""
        ...


def freeze(book: Logbook, figures: Figures, *, now: datetime, who: str) -> Statement:
    """The statement of this subject and period; where figures have changed since the last, a new correction."""
    told = figures.model_dump(mode="json")
    key = f"{figures.subject} {figures.period}"
    return book.statements.freeze(Statement(key=key, issued=now, who=who, digest=digest_of(told), figures=told))


def before(book: Logbook, statement: Statement | None) -> Statement | None:
    """What a correction corrects; None of anything else."""
    if statement is None:
        return None
    return next((one for one in book.statements.of(statement.key) if one.number == statement.number - 1), None)


def write_report(
    figures: Figures,
    out: Path,
    *,
    statement: Statement | None = None,
    corrected: Statement | None = None,
    language: str = "en",
) -> list[Path]:
    """Write the report to ``out`` (.html or .pdf) and its CSV files beside it in a zip; what was written."""
    if out.suffix.lower() not in SUFFIXES:
        raise UserError(f"--out {out}: the name must end in {' or '.join(SUFFIXES)}")
    text = html(figures, words_in(language), statement, corrected)
    out.write_bytes(pdf(text) if out.suffix.lower() == ".pdf" else text.encode())
    beside = out.with_name(out.stem + "-csv.zip")
    beside.write_bytes(csv_zip(figures))
    return [out, beside]


def finished(every: Every, zone: ZoneInfo, now: datetime) -> Iterator[Period]:
    """Periods that ended in that zone by ``now``, not longer than BACK days ago, the oldest first."""
    today = now.astimezone(zone).date()
    for back in range(BACK[every], -1, -1):
        last: date = today - timedelta(days=back)
        before = last - timedelta(days=1)
        if every == "day":
            yield period_of(before.isoformat())
        elif every == "week" and last.weekday() == 0:
            yield period_of(f"{before:%G-W%V}")
        elif every == "month" and last.day == 1:
            yield period_of(f"{before:%Y-%m}")


def ordered(versions: list[tuple[datetime, FleetVersion]], now: datetime) -> Iterator[Posting]:
    """What the newest version orders and is due; nothing that was due before the order first stood in the file."""
    fleet = versions[-1][1].fleet
    for order in fleet.reports:
        since = min(at for at, one in versions if order in one.fleet.reports)
        zone = ZoneInfo(zone_name(fleet, order, now))
        for period in finished(order.every, zone, now):
            due = datetime.combine(period.last, order.at, zone)
            if since <= due <= now:
                yield from _postings(order, period, due)


def _postings(order: ReportOrder, period: Period, due: datetime) -> Iterator[Posting]:
    for person in order.to:
        form = "customer" if order.customer else "full"
        made = str(uuid5(NAMESPACE_URL, f"{order.of} {period.name} {person} {form}"))
        yield Posting(made, order.of, period.name, person, order.customer, due)


class ReportPost:
    """Sends what is due. ``store`` opens the store: it is held only while a report is made."""

    def __init__(
        self,
        store: Callable[[], Store],
        book: Logbook,
        clock: Clock,
        carrier: Carrier | None,
        instance: str,
        *,
        url: str | None = None,
    ) -> None:
        self._store, self._book, self._clock, self._carrier = store, book, clock, carrier
        self._instance, self._url = instance, url

    def run_once(self) -> int:
        """One look: how many were sent. Does nothing while another instance does it."""
        now, versions = self._clock.now(), self._book.fleets.versions()
        if now is None or not versions or not self._book.leases.take(LEASE, self._instance, LEASE_S):
            return 0
        try:
            for posting in ordered(versions, now):
                self._book.postings.plan(posting)
            sent = 0
            for posting in self._book.postings.waiting(now):
                if not self._book.leases.take(LEASE, self._instance, LEASE_S):
                    break
                sent += self._one(posting, versions[-1][1], now)
            return sent
        finally:
            self._book.leases.release(LEASE, self._instance)

    def follow(self, stop: threading.Event, interval_s: float = 60.0) -> None:
        """Look after look until ``stop`` is set, with a heartbeat each; waits out what is away."""
        while not stop.is_set():
            try:
                self.run_once()
                self._beat()
            except OutsideError as error:
                log.error("store or logbook is away; trying again", error=str(error))
            stop.wait(interval_s)

    def _beat(self) -> None:
        counts = {f"reports_{state}": float(count) for state, count in self._book.postings.counts().items()}
        self._book.heartbeats.beat(
            Heartbeat(service="report", instance=self._instance, at=WallClock().now(), version=__version__,
                      figures=counts)
        )  # fmt: skip

    def _one(self, posting: Posting, version: FleetVersion, now: datetime) -> bool:
        try:
            posting, statement = self._frozen(posting, version, now)
            self._send(posting, statement, version.fleet)
        except (UserError, NotFoundError, ChannelRefusedError) as error:
            log.error("report cannot be sent", report=posting.subject, period=posting.period, error=str(error))
            self._book.postings.save(replace(posting, state="refused", error=str(error)))
            return False
        except (ChannelError, OutsideError) as error:
            wait = min(FIRST_WAIT * 2.0 ** min(posting.attempts, 16), LONGEST_WAIT)
            log.warning("report waits", report=posting.subject, period=posting.period, error=str(error))
            tried = replace(posting, attempts=posting.attempts + 1, due=now + wait, error=str(error))
            self._book.postings.save(tried)
            return False
        self._book.postings.save(replace(posting, state="sent", sent=now, error=""))
        log.info("report sent", report=posting.subject, period=posting.period, person=posting.person)
        return True

    def _frozen(self, posting: Posting, version: FleetVersion, now: datetime) -> tuple[Posting, Statement]:
        """The statement that this posting carries: the one it was first tried with."""
        if posting.number is not None:
            kept = self._book.statements.of(f"{posting.subject} {posting.period}")
            return posting, next(one for one in kept if one.number == posting.number)
        scope, _, name = posting.subject.partition(" ")
        with closing(self._store()) as store:
            figures = gather(
                store, self._book, version, cast(Scope, scope), name, period_of(posting.period), now=now,
                url=self._url, progress=lambda *_: self._book.leases.take(LEASE, self._instance, LEASE_S),
            )  # fmt: skip
        statement = freeze(self._book, figures, now=now, who=SENDER)
        posting = replace(posting, number=statement.number)
        self._book.postings.save(posting)
        return posting, statement

    def _send(self, posting: Posting, statement: Statement, fleet: Fleet) -> None:
        person = next((one for one in fleet.roster.people if one.id == posting.person), None)
        if person is None or person.email is None:
            raise NotFoundError(f"{posting.person} has no email in the roster any more")
        if self._carrier is None:
            raise ChannelError("no e-mail channel is set; channels = [..., 'email:FILE'] names one")
        figures = Figures.model_validate(statement.figures)
        if posting.customer:
            figures = figures.for_customer()
        mail = message(figures, statement, person.language, before(self._book, statement))
        mail["From"], mail["To"] = self._carrier.sender, person.email
        mail["Message-ID"] = f"<{posting.id}@{self._carrier.sender.rpartition('@')[2]}>"
        self._carrier.hand_over(mail, person.email)


def message(figures: Figures, statement: Statement, language: str, corrected: Statement | None = None) -> EmailMessage:
    """The e-mail without its addresses: a few words, the PDF, the CSV files in a zip."""
    words = words_in(language)
    t = ReportWords(words.language)
    mail = EmailMessage()
    mail["Subject"] = " ".join(f"{figures.title}, {figures.period}".split())
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no out-of-office note comes back
    told = t("mail", title=figures.title, period=figures.period, head=head(statement, t))
    mail.set_content(f"{told}\n\n{t('advice')}\n")
    name = f"report-{figures.subject.replace(' ', '-')}-{figures.period}"
    body = pdf(html(figures, words, statement, corrected))
    mail.add_attachment(body, maintype="application", subtype="pdf", filename=f"{name}.pdf")
    mail.add_attachment(csv_zip(figures), maintype="application", subtype="zip", filename=f"{name}-csv.zip")
    return mail
