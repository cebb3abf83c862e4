"""The report's page and its document: what was sent stays, large ones are refused, and nothing runs over a phone."""

from __future__ import annotations

import csv
import io
import zipfile
from datetime import timedelta

import pytest
from playwright.sync_api import sync_playwright

from analytics.report_document import html
from analytics.report_gather import gather, period_of
from board.pages import report as page
from board.words import words_in
from skidhand.fleet import parse_fleet
from skidhand.logbook import Logbook
from skidhand.reporting import before, freeze
from skidhand.stores.memory import MemoryStore
from tests.board import site
from tests.board.test_browser import CHROMIUM, grave
from tests.support.needs import missing

DAY = "2026-03-03"
QUERY = f"of=site+tansy-4&period={DAY}"


@pytest.fixture
def sent(logbook):
    """The site's evening, sent, and corrected after an hour came late."""
    store = MemoryStore()
    site.fill(store, ["tf-1", "tf-3"], hours=1, until=site.NOW - timedelta(hours=4))

    def now():
        return gather(store, logbook, logbook.fleets.current(), "site", "tansy-4", period_of(DAY))

    first = freeze(logbook, now(), now=site.NOW, who="eve")
    site.fill(store, ["tf-1"], hours=1, until=site.NOW - timedelta(hours=5))
    return first, freeze(logbook, now(), now=site.NOW + timedelta(hours=1), who="eve")


def total(answer):
    """Barrels of the CSV's first part."""
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        rows = csv.DictReader(io.StringIO(archive.read("figures.csv").decode(), newline=""))
        return next(float(row["value"]) for row in rows if row["figure"] == "treated.total")


def test_what_was_sent_is_fetched_as_it_was(sent, signed_in):
    """The page lists statement and correction; each downloads its own frozen figures, whatever the store says now."""
    leo = signed_in("leo")
    text = leo.get(f"/report?{QUERY}").text
    assert "Sent: statement of 2026-03-04 09:00 UTC" in text
    assert "Sent: correction 1, of 2026-03-04 10:00 UTC" in text
    assert f"{DAY} 00:00 to 2026-03-04 00:00, America/Chicago" in text  # as in the document: the site's own day
    kept = [total(leo.get(f"/report/file?{QUERY}&format=csv&number={n}")) for n in (0, 1)]
    assert kept == [one.figures["skids"][0]["treated"]["total"] for one in sent]
    assert kept[0] < kept[1] != total(leo.get(f"/report/file?{QUERY}&format=csv"))
    corrected = leo.get(f"/report/file?{QUERY}&format=html&number=1")
    assert "What the correction changes" in corrected.text
    assert corrected.headers["content-disposition"].endswith(f'"report-site-tansy-4-{DAY}-1.html"')
    assert leo.get(f"/report/file?{QUERY}&format=csv&number=2").status_code == 404


def test_a_customer_fetches_own_statements_in_the_customers_form(sent, signed_in):
    """Volumes and quality of their site as they were sent; neither calls nor runs; no other site's, no skid's."""
    cus = signed_in("cus")
    text = cus.get(f"/report/file?{QUERY}&format=html&number=1").text
    assert "Treated water out" in text
    assert "Fleet version" not in text
    assert [word for word in ("Calls", "Filter runs", "Events", "in_service", "runs") if word in text] == []
    for other in ("site+sorrel-2", "skid+tf-1", "fleet"):
        assert cus.get(f"/report/file?of={other}&period={DAY}&format=csv&number=0").status_code == 404


def test_what_would_take_minutes_is_refused_with_the_command(signed_in, monkeypatch):
    """A page works out a few hundred days of skids; beyond that it names what takes any number."""
    monkeypatch.setattr(page, "MOST", 20)
    leo = signed_in("leo")
    answer = leo.get("/report?of=fleet&period=2026-W10")
    assert (answer.status_code, "skidhand report" in answer.text) == (422, True)
    assert leo.get("/report?of=skid+tf-1&period=2026-W10").status_code == 200


def test_an_export_is_made_again_by_the_stores_version(logbook, signed_in, app):
    """The page takes the version that an answer named: the same bytes after late data; a made-up one is refused."""
    tia, store = signed_in("tia"), MemoryStore()
    app.state.house.store = store
    site.fill(store, ["tf-1"], hours=2)
    ask = "/export/file?skid=tf-1&since=2026-03-04T07:00&until=2026-03-04T09:00&stage=cleaned"
    first = tia.get(ask)
    site.fill(store, ["tf-1"], hours=1, step_s=30)
    version = first.headers["x-store-version"]
    assert tia.get(f"{ask}&as_of={version}").content == first.content != tia.get(ask).content
    assert tia.get(f"{ask}&as_of=99999").status_code == 404


def test_the_document_fits_a_narrow_phone(tmp_path):
    """At 360 px, in both languages, with hostile names and a correction: nothing runs over or runs; axe is calm."""
    if CHROMIUM is None:
        missing("chromium", "chromium")
    store = MemoryStore()
    skids = (("tf-1", site.HOSTILE, "tansy-4"), ("tf-2", "A name without any space " + "x" * 60, "sorrel-2"))
    site.fill(store, ["tf-1", "tf-2"], hours=4)
    with Logbook(str(tmp_path / "l.db")) as book, sync_playwright() as driver:
        book.guard_clock("stream")
        book.fleets.apply(parse_fleet(site.fleet_text(skids)), effective=site.NOW - timedelta(days=9), who="test")
        site.put(book, site.finding(), site.rise("tf-2"))
        browser = driver.chromium.launch(executable_path=CHROMIUM)
        told = []
        for scope, name, language in (("fleet", "", "es"), ("skid", "tf-1", "en")):
            day = period_of("2026-03-04")
            figures = gather(store, book, book.fleets.current(), scope, name, day, now=site.NOW)
            freeze(book, figures, now=site.NOW, who="eve")
            site.fill(store, ["tf-1"], hours=1, until=site.NOW - timedelta(hours=4))
            figures = gather(store, book, book.fleets.current(), scope, name, day)
            second = freeze(book, figures, now=site.NOW, who="eve")
            file = tmp_path / f"{scope}-{language}.html"
            file.write_text(html(figures, words_in(language), second, before(book, second)))
            view = browser.new_context(viewport={"width": 360, "height": 740}).new_page()
            view.on("dialog", lambda dialog: (told.append("dialog"), dialog.dismiss()))
            view.goto(file.as_uri())
            assert view.evaluate("document.documentElement.scrollWidth") <= 360, file.name
            assert grave(view) == []
            view.context.close()
        browser.close()
        assert told == []
