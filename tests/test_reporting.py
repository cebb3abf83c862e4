"""Reports that are e-mailed when due: once to each person, as they were frozen, however often we begin again."""

from __future__ import annotations

import email
import email.policy
import io
import json
import sys
import threading
import zipfile
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from alerts.channels import open_channel
from analytics.report_gather import gather, period_of
from skidhand import reporting
from skidhand.cli import services
from skidhand.cli.main import main
from skidhand.clock import StreamClock
from skidhand.errors import FleetFileError
from skidhand.fleet import parse_fleet
from skidhand.logbook import Logbook
from skidhand.reporting import ReportPost, finished, freeze
from skidhand.stores import open_store
from skidhand.stores.memory import MemoryStore
from tests.board import site
from tests.support.mail import mail_server

ORDERS = """
reports:
  - {of: site tansy-4, every: day, at: "06:00", to: [robin, lucia]}
  - {of: site tansy-4, every: day, at: "06:00", to: [cass], customer: true}
"""
PEOPLE = """  people:
    - {id: lucia, name: Lucia Prado, email: lucia@mail.example, language: es}
    - {id: cass, name: Cass Orme, email: cass@mail.example}
"""
MORNING = datetime(2026, 3, 5, 12, 0, tzinfo=UTC)  # 06:00 in Chicago, after 4 March


def text(orders=ORDERS):
    """The fleet file with these orders."""
    plain = site.fleet_text(site.THREE).replace("  people:\n", PEOPLE)
    return plain.replace('phone: "+15550100001"', 'phone: "+15550100001", email: robin@mail.example') + orders


class Server:
    """What arrived; ``says`` is the reply."""

    def __init__(self):
        self.mails, self.says = [], "250 OK"

    async def handle_DATA(self, _server, _session, envelope):  # noqa: N802 (the library's names)
        """Keep a message, or refuse it."""
        if self.says.startswith("250"):
            self.mails.append(email.message_from_bytes(envelope.content, policy=email.policy.default))
        return self.says


@pytest.fixture
def server(tmp_path):
    """A mail server and the channel to it."""
    kept = Server()
    with mail_server(kept) as port:
        kept.port = port
        (tmp_path / "email.toml").write_text(
            f'host = "127.0.0.1"\nport = {port}\nsecurity = "none"\nsender = "skidhand@mail.example"\n'
        )
        kept.channel = open_channel(f"email:{tmp_path / 'email.toml'}")
        yield kept


@pytest.fixture
def book(tmp_path):
    """A logbook with the orders in force since the evening before."""
    with site.logbook_of(str(tmp_path / "l.db"), text("")) as made:
        made.fleets.apply(parse_fleet(text()), effective=MORNING - timedelta(hours=12), who="test")
        split = site.finding()
        site.put(made, split)
        yield made


@pytest.fixture
def store():
    """Some hours of water on 4 March."""
    made = MemoryStore()
    site.fill(made, ["tf-1", "tf-3"], hours=2)
    return made


@pytest.fixture
def quick(monkeypatch):
    """Without the seconds that a PDF takes, where it is not what is asked."""
    monkeypatch.setattr(reporting, "pdf", lambda text: b"%PDF-" + text.encode())


def post(store, book, carrier, at=MORNING, instance="a"):
    """One look of a freshly begun sender at that time."""
    clock = StreamClock()
    clock.announce(at)
    return ReportPost(lambda: store, book, clock, carrier, instance).run_once()


def parts(mail):
    """(words, PDF, names → CSV) of an e-mail."""
    pdf, files = mail.iter_attachments()
    with zipfile.ZipFile(io.BytesIO(files.get_content())) as archive:
        return (
            mail.get_body().get_content(),
            pdf.get_content(),
            {name: archive.read(name) for name in archive.namelist()},
        )


def test_each_is_sent_once_at_the_sites_morning(store, book, server, tmp_path):
    """Not before six in Chicago; then to each in their language and form; never again after a restart."""
    assert post(store, book, server.channel, MORNING - timedelta(seconds=1)) == 0
    assert post(store, book, server.channel) == 3
    told = {mail["To"]: parts(mail) for mail in server.mails}
    assert sorted(told) == ["cass@mail.example", "lucia@mail.example", "robin@mail.example"]
    assert all(pdf[:5] == b"%PDF-" for _, pdf, _ in told.values())
    assert "va adjunto el informe" in told["lucia@mail.example"][0]
    assert "split-drift" in told["robin@mail.example"][2]["events.csv"].decode()
    assert "events.csv" not in told["cass@mail.example"][2]
    assert "treated.total" in told["cass@mail.example"][2]["figures.csv"].decode()
    with Logbook(str(tmp_path / "l.db")) as again:
        assert post(store, again, server.channel, MORNING + timedelta(hours=3), "b") == 0
    assert len({mail["Message-ID"] for mail in server.mails}) == len(server.mails) == 3


@pytest.mark.usefixtures("quick")
def test_mail_that_is_away_is_waited_for_and_carries_what_was_frozen(store, book, server):
    """The statement of the first try goes out hours later, unchanged by data that came meanwhile."""
    server.says = "451 come back later"
    assert post(store, book, server.channel) == 0
    assert [one.state for one in book.postings.all()] == ["waiting"] * 3
    site.fill(store, ["tf-1"], hours=1, until=site.NOW - timedelta(hours=5))
    server.says = "250 OK"
    assert post(store, book, server.channel, MORNING + timedelta(minutes=1)) == 0  # not yet tried again
    assert post(store, book, server.channel, MORNING + timedelta(minutes=6)) == 3
    assert [one.number for one in book.statements.of("site tansy-4 2026-03-04")] == [0]
    assert {(one.state, one.number, one.attempts) for one in book.postings.all()} == {("sent", 0, 1)}


@pytest.mark.usefixtures("quick")
def test_a_refusal_is_for_good_and_told(store, book, server):
    """A 5xx reply is not asked for again; the row says why."""
    server.says = "550 no such person"
    assert post(store, book, server.channel) == 0
    server.says = "250 OK"
    assert post(store, book, server.channel, MORNING + timedelta(hours=1)) == 0
    assert {one.state for one in book.postings.all()} == {"refused"}
    assert all("550" in one.error for one in book.postings.all())


@pytest.mark.usefixtures("quick")
def test_without_a_mail_channel_reports_wait(store, book, server):
    """Nothing is lost while no channel is set, and another instance's lease is respected."""
    assert post(store, book, None) == 0
    assert book.leases.take("report", "other")
    assert post(store, book, server.channel, MORNING + timedelta(hours=1)) == 0
    book.leases.release("report", "other")
    assert post(store, book, server.channel, MORNING + timedelta(hours=1)) == 3


@pytest.mark.usefixtures("quick")
def test_an_order_is_not_for_what_was_due_before_it(store, book, server):
    """A new recipient gets the next report, not a week of old ones."""
    new = text(ORDERS + "  - {of: fleet, every: day, to: [robin]}\n")
    book.fleets.apply(parse_fleet(new), effective=MORNING + timedelta(minutes=1), who="test")
    assert post(store, book, server.channel, MORNING + timedelta(hours=2)) == 3
    assert {one.subject for one in book.postings.all()} == {"site tansy-4"}


@pytest.mark.parametrize(
    ("every", "now", "newest"),
    [
        ("day", "2026-03-09T04:30", "2026-03-07"),  # still the 8th in Chicago, the day when clocks change
        ("day", "2026-03-09T05:30", "2026-03-08"),
        ("week", "2026-01-05T12:00", "2026-W01"),  # ISO 8601: from 29 December on
        ("month", "2026-03-01T12:00", "2026-02"),
        ("month", "2026-03-31T12:00", "2026-02"),
    ],
)
def test_the_newest_period_that_is_over(every, now, newest):
    """By the site's own calendar."""
    moment = datetime.fromisoformat(now).replace(tzinfo=UTC)
    assert list(finished(every, ZoneInfo("America/Chicago"), moment))[-1].name == newest


@pytest.mark.parametrize(
    ("order", "told"),
    [
        ("{of: site none, every: day, to: [robin]}", "no site 'none'; there are tansy-4, sorrel-2"),
        ("{of: fleet, every: day, to: [sasha]}", "no person 'sasha' with an email"),
        ("{of: skid tf-1, every: day, to: [robin], customer: true}", "a customer's report is one of a site"),
        ("{of: fleet, every: year, to: [robin]}", "'day', 'week' or 'month'"),
    ],
)
def test_a_wrong_order_is_told(order, told):
    """The fleet file is refused with what would be valid."""
    with pytest.raises(FleetFileError, match=told):
        parse_fleet(text(f"\nreports:\n  - {order}\n"))


@pytest.mark.usefixtures("quick")
def test_the_command_follows(book, server, tmp_path, monkeypatch):
    """``skidhand report --follow`` sends through the e-mail channel of the settings, beats, and ends when told to."""
    book.clock.announce(MORNING)
    lake = open_store(str(tmp_path / "lake"))
    site.fill(lake, ["tf-1", "tf-3"], hours=2)
    lake.close()
    stop, beat = threading.Event(), ReportPost._beat
    monkeypatch.setattr(services, "stop_event", lambda: stop)
    monkeypatch.setattr(ReportPost, "_beat", lambda post: (beat(post), stop.set()))
    channels = [f"email:{tmp_path / 'email.toml'}"]
    (tmp_path / "skidhand.toml").write_text(f"clock = 'stream'\nchannels = {json.dumps(channels)}\n")
    places = ("--store", str(tmp_path / "lake"), "--logbook", str(tmp_path / "l.db"))
    monkeypatch.setattr(
        sys, "argv", ["skidhand", "report", "--follow", "--settings", str(tmp_path / "skidhand.toml"), *places]
    )
    with pytest.raises(SystemExit) as ended:
        main()
    assert not ended.value.code
    assert sorted(mail["To"] for mail in server.mails) == [
        "cass@mail.example", "lucia@mail.example", "robin@mail.example",
    ]  # fmt: skip
    (last,) = [one for one in book.heartbeats.all() if one.service == "report"]
    assert last.figures["reports_sent"] == 3.0


@pytest.mark.usefixtures("quick")
def test_a_statement_corrected_before_the_mail_goes_says_so(store, book, server):
    """What somebody stated by hand in the night is number 0; late data make the morning's mail its correction."""
    figures = gather(store, book, book.fleets.current(), "site", "tansy-4", period_of("2026-03-04"))
    freeze(book, figures, now=MORNING - timedelta(hours=1), who="ada")
    site.fill(store, ["tf-1"], hours=1, until=site.NOW - timedelta(hours=5))
    assert post(store, book, server.channel) == 3
    (robin,) = [mail for mail in server.mails if mail["To"] == "robin@mail.example"]
    words, document, _ = parts(robin)
    assert "correction 1, of 2026-03-05 12:00 UTC" in words
    assert b"What the correction changes" in document
    assert [one.number for one in book.statements.of("site tansy-4 2026-03-04")] == [0, 1]
