"""What a report is gathered from: placements, fleet versions, deliveries, an unfinished period, many skids."""

from __future__ import annotations

import csv
import io
import uuid
from datetime import UTC, datetime, timedelta
from math import fsum
from operator import methodcaller

import pytest

from analytics import report_jobs
from analytics.report_changes import ALL
from analytics.report_document import html, tables
from analytics.report_gather import gather, period_of
from analytics.report_lines import lines, total_lines
from analytics.report_words import ReportWords
from board.words import words_in
from skidhand.errors import UserError
from skidhand.fleet import parse_fleet
from skidhand.model.prompt import Delivery
from skidhand.stores import open_store
from skidhand.stores.memory import MemoryStore
from tests.board import site

NOW, HOUR, MINUTE = site.NOW, timedelta(hours=1), timedelta(minutes=1)
TWO = (("tf-1", "Skid 1", "tansy-4"), ("tf-2", "Skid 2", "sorrel-2"))
SIX = datetime(2026, 3, 4, 6, tzinfo=UTC)  # midnight in Chicago
HALF = NOW - timedelta(hours=1, minutes=30)


@pytest.fixture
def book(tmp_path):
    """A logbook with two skids in force for a month."""
    with site.logbook_of(str(tmp_path / "l.db"), site.fleet_text(TWO)) as made:
        yield made


@pytest.fixture(scope="module")
def store():
    """Four hours of a barrel a minute, up to NOW."""
    made = MemoryStore()
    site.fill(made, ["tf-1", "tf-2"], hours=4)
    return made


def figures(book, store, scope="skid", name="tf-1", period="2026-03-04", **more):
    """The report's figures."""
    return gather(store, book, book.fleets.current(), scope, name, period_of(period), **more)


def test_a_fleet_file_that_changed_inside_the_span_splits_it(book, store):
    """Before the change the old limit counts, from it on the new one; the two parts hold every barrel once."""
    whole = figures(book, store).skids
    stricter = site.fleet_text(TWO).replace("oil: {limit: 20,", "oil: {limit: 8,")
    book.fleets.apply(parse_fleet(stricter), effective=HALF, who="test")
    before, after = figures(book, store).skids
    assert (before.end, after.start) == (HALF, HALF)
    assert (before.fleet_version, after.fleet_version) == (whole[0].fleet_version, book.fleets.current().digest)
    assert [part.quality[0].limit for part in (before, after)] == [20.0, 8.0]
    assert before.quality[0].share == 1.0 > after.quality[0].share > 0.0
    assert before.treated.total == 90.0  # the steps that end at 06:00 to 07:29
    assert before.treated.total + after.treated.total == whole[0].treated.total == 181.0
    assert before.quality[0].minutes + after.quality[0].minutes == whole[0].quality[0].minutes


def test_a_version_that_leaves_the_skid_as_it_was_makes_no_part(book, store):
    """Another skid's limit, a name or a person changes; this skid's figures stand once."""
    book.fleets.apply(parse_fleet(site.fleet_text((("tf-1", "Number 1", "tansy-4"),))), effective=HALF, who="test")
    (only,) = figures(book, store).skids
    assert (only.start, only.treated.total) == (SIX, 181.0)
    assert [one.skid for one in figures(book, store, "fleet", "").skids] == ["tf-1", "tf-2"]  # one left at HALF
    assert figures(book, store, "fleet", "").skids[1].end == HALF


def test_a_span_is_clipped_to_the_placement(tmp_path, store):
    """Each site's report holds what passed while the skid stood there; the water before it is another pad's."""
    moved = site.fleet_text(TWO).replace(
        "[{site: tansy-4, from: 2026-01-15}]",
        "[{site: tansy-4, from: 2026-01-15, to: 2026-03-04T07:30:00Z}, {site: sorrel-2, from: 2026-03-04T07:30:00Z}]",
    )
    with site.logbook_of(str(tmp_path / "m.db"), moved) as book:
        (here,) = figures(book, store, "site", "tansy-4").skids
        there, other = figures(book, store, "site", "sorrel-2").skids
        assert (here.skid, there.skid, other.skid) == ("tf-1", "tf-1", "tf-2")
        assert (here.start, here.end, there.start) == (SIX, HALF, HALF)
        assert here.treated.total == 90.0
        assert there.treated.total == 90.0  # the step from the old pad's last reading is neither's
        assert [day.oil for day in there.days] != [day.oil for day in here.days]
        assert here.quality[0].days == 1
        assert there.quality[0].highest_day == there.quality[0].average_30d  # nothing of the old pad in its 30 days


def test_calls_are_what_was_handed_over(book, store):
    """Of five messages of one prompt: two people told, one of them twice; not the waiting, failed or summary ones."""
    found = site.finding()
    site.put(book, found)
    made = site.prompt(book, found, verdict="false")
    quiet = site.finding(run="2", onset=NOW - 2 * HOUR)
    site.put(book, quiet)
    site.prompt(book, quiet, code="4822")  # a prompt that nobody was sent is no call

    def sent(person, state="sent", at=NOW - HOUR, **more):
        return Delivery(id=uuid.uuid4(), prompt=made.id, channel="file", person=person, address="x", text="t",
                        state=state, queued=at, sent=at if state == "sent" else None, **more)  # fmt: skip

    with book.prompts.work() as work:
        for one in (sent("robin"), sent("robin", at=NOW - HOUR / 2, repeat=True), sent("sasha"),
                    sent("lee", "failed"), sent("kim", "queued"), sent("ann", purpose="summary"),
                    sent("eve", at=SIX - MINUTE)):  # fmt: skip
            work.put(one)
    (told,) = figures(book, store).skids
    assert (told.calls, told.false_calls, told.messages) == (2, 2, 3)
    shown = {line.what: line.value for line in lines(told, ReportWords("en"))}
    assert shown["Calls (of them judged false)"] == "2 (2)"
    assert [(e.kind, e.verdict) for e in told.events] == [("split-drift", None), ("split-drift", "false")]
    assert figures(book, store, period="2026-03-03").skids[0].calls == 1  # the one of the evening before


def test_an_unfinished_period_ends_now_and_says_so(book, store):
    """At nine of a day data completeness is of nine hours, not of 24; a period that has not begun is refused."""
    told = figures(book, store, now=NOW + timedelta(seconds=30))
    assert (told.so_far, told.skids[0].end) == (NOW, NOW)
    assert told.skids[0].completeness == pytest.approx(1.0)
    assert "The period is not over: figures up to 2026-03-04 09:00 UTC." in html(told, words_in("en"))
    assert figures(book, store, now=NOW + timedelta(days=1)).so_far is None
    assert figures(book, store).skids[0].completeness == pytest.approx(3 / 24, abs=0.01)
    with pytest.raises(UserError, match="up to now"):
        figures(book, store, period="2026-03-05", now=NOW)


def test_skids_together_are_the_sum_of_each(book, store):
    """The total's lines, in the document and in the CSV, are the sums of the skids' own; days add up likewise."""
    told = figures(book, store, "fleet", "")
    rows = list(csv.DictReader(io.StringIO(tables(told)["figures.csv"].decode(), newline="")))
    parts = [float(r["value"]) for r in rows if r["figure"] == "treated.total" and r["skid"] != ALL]
    (all_of,) = (r for r in rows if r["figure"] == "treated.total" and r["skid"] == ALL)
    assert (float(all_of["value"]), all_of["unit"]) == (fsum(parts), "[bbl_us]")
    assert fsum(parts) == 181.0 + 121.0  # from midnight on, in Chicago and in Denver
    days = list(csv.DictReader(io.StringIO(tables(told)["days.csv"].decode(), newline="")))
    assert fsum(float(row["treated"]) for row in days) == 302.0
    assert {(row["treated_unit"], row["oil_unit"]) for row in days} == {("[bbl_us]", "mg/L")}
    assert next(iter(total_lines(told, ReportWords("en")))) == ("Treated water out", "302 bbl", False)
    assert "302 bbl" in html(told, words_in("en"))


def test_a_large_report_says_what_a_small_one_does(book, store):
    """More skids than have pages of their own: a row each and totals, no pages; progress is told after each."""
    many = [(f"tf-{i}", f"Skid {i}", "tansy-4") for i in range(14)]
    book.fleets.apply(parse_fleet(site.fleet_text(many)), effective=NOW - timedelta(days=20), who="test")
    heard = []
    told = figures(book, store, "fleet", "", progress=lambda made, of: heard.append((made, of)))
    assert heard == [(i + 1, 14) for i in range(14)]
    text = html(told, words_in("en"))
    assert text.count('<td data-label="Skid">') == 14
    assert "<h2>" not in text
    assert "362 bbl" in text


def test_processes_open_the_store_by_its_url(tmp_path, monkeypatch):
    """Every task is done in its order by a process of its own store; without a URL, or for a few, all is done here."""
    lake = open_store(str(tmp_path / "lake"))
    site.fill(lake, ["tf-1"], hours=1)
    monkeypatch.setattr(report_jobs.os, "cpu_count", lambda: 2)
    tasks = [methodcaller("landed", "nobody"), *[methodcaller("series")] * 15]
    for url in (str(tmp_path / "lake"), None):
        assert list(report_jobs.run(lake, url, tasks)) == [None, *[lake.series()] * 15]
    lake.close()
