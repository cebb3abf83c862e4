"""Reports as files: HTML and PDF, the CSV behind them, and statements that stay."""

from __future__ import annotations

import csv
import io
import re
import zipfile
import zlib
from datetime import timedelta

import pytest

from analytics.report_document import html
from analytics.report_figures import Figures
from analytics.report_gather import gather, period_of
from board.words import words_in
from skidhand import reporting
from skidhand.errors import UserError
from skidhand.logbook import Logbook
from skidhand.stores import open_store
from skidhand.stores.memory import MemoryStore
from tests.board import site

BOOK = "skidhand-data/logbook.db"


@pytest.fixture
def book(home):
    """A logbook with findings, one of them called falsely."""
    with site.logbook_of(
        BOOK, site.fleet_text((("tf-1", site.HOSTILE, "tansy-4"), ("tf-2", "Skid 2", "sorrel-2")))
    ) as made:
        made.clock.announce(site.NOW)
        split = site.finding()
        site.put(made, split)
        site.prompt(made, split, verdict="false")
        yield made


@pytest.fixture
def store():
    """Some hours of water."""
    made = MemoryStore()
    site.fill(made, ["tf-1", "tf-2"], hours=4)
    return made


def figures(book, store, scope="skid", name="tf-1", period="2026-03-04"):
    """The report's figures."""
    return gather(store, book, book.fleets.current(), scope, name, period_of(period))


def test_html_says_what_it_is_and_escapes(book, store):
    """It is no custody transfer, names the event with its verdict, counts the false call, and runs nothing."""
    text = html(figures(book, store), words_in("en"))
    assert "Not custody transfer" in text
    assert "preliminary" in text
    assert "<script" not in text
    assert "{{" not in text.replace("{{7*7}}", "")
    assert "reject plugging" in text


def test_csv_holds_every_digit(book, store, home):
    """The zip's figures are those of the report, as the standard reader has them; equal figures give equal bytes."""
    told = figures(book, store)
    written = reporting.write_report(told, home / "a.html")
    with zipfile.ZipFile(written[1]) as archive:
        rows = list(csv.DictReader(io.StringIO(archive.read("figures.csv").decode(), newline="")))
    found = {row["figure"]: row["value"] for row in rows}
    assert float(found["treated.total"]) == told.skids[0].treated.total > 0
    assert float(found["in_service_h"]) == told.skids[0].in_service_h
    assert found["false_calls"] == "0"  # nobody was told of it
    before = written[1].read_bytes()
    assert reporting.write_report(told, home / "a.html")[1].read_bytes() == before


def test_a_statement_stays_and_late_data_correct_it(book, store):
    """Sent twice with equal figures it is one statement; later data make corrections 1 and 2, and all are kept."""
    first = reporting.freeze(book, figures(book, store), now=site.NOW, who="ada")
    again = reporting.freeze(book, figures(book, store), now=site.NOW + timedelta(days=1), who="eve")
    assert (first.number, again) == (0, first)
    site.fill(store, ["tf-1"], hours=1, until=site.NOW - timedelta(hours=5))
    second = reporting.freeze(book, figures(book, store), now=site.NOW + timedelta(days=2), who="eve")
    assert second.number == 1
    kept = book.statements.of("skid tf-1 2026-03-04")
    assert [one.number for one in kept] == [0, 1]
    assert kept[0].figures == first.figures != kept[1].figures
    assert "correction 1, of 2026-03-06" in html(figures(book, store), words_in("en"), second)


def test_the_fleet_and_a_site(book, store):
    """A site's report holds its skids, the fleet's all; a period in which nothing stood there is refused."""
    assert [s.skid for s in figures(book, store, "site", "sorrel-2").skids] == ["tf-2"]
    assert [s.skid for s in figures(book, store, "fleet", "").skids] == ["tf-1", "tf-2"]
    with pytest.raises(UserError, match="stood anywhere"):
        figures(book, store, period="2025-12")


@pytest.mark.parametrize(("text", "days"), [("2026-03-04", 1), ("2026-W10", 7), ("2026-02", 28)])
def test_periods(text, days):
    """Days, ISO weeks and months."""
    period = period_of(text)
    assert (period.last - period.first).days == days


@pytest.mark.parametrize("text", ["2026-W60", "2026-13", "March", "2026"])
def test_what_is_no_period(text):
    """Anything else is refused with examples."""
    with pytest.raises(UserError, match="2026-W10"):
        period_of(text)


def test_the_command_writes_a_pdf(run, book, home):
    """A PDF that a reader opens, its words in it, the statement told; wrong use is told before any work."""
    store = open_store(str(home / "skidhand-data/lake"))
    store.close()
    ran = run("report", "--skid", "tf-2", "--day", "2026-03-03", "--send", "--out", "r.pdf")
    assert ran.code == 0, ran.err
    assert "r-csv.zip; statement." in ran.err
    assert (home / "r.pdf").read_bytes()[:5] == b"%PDF-"
    streams = re.findall(rb"stream\n(.*?)\nendstream", (home / "r.pdf").read_bytes(), re.DOTALL)
    assert b"Skid 2, 2026-03-03" in b"".join(zlib.decompress(one) for one in streams if one[:1] == b"x")  # its title
    for words in (("--skid", "tf-2", "--out", "r.pdf"), ("--day", "2026-03-03", "--out", "r.pdf"),
                  ("--skid", "tf-2", "--day", "2026-03-03", "--out", "r.doc"),
                  ("--skid", "tf-9", "--day", "2026-03-03", "--out", "r.pdf"),
                  ("--skid", "tf-2", "--day", "2026-03-03", "--out", "r.pdf", "--language", "fr")):  # fmt: skip
        assert run("report", *words).code == 2
    early = run("report", "--skid", "tf-2", "--day", "2026-03-04", "--send", "--out", "r.pdf")  # it is 2 in the morning
    assert (early.code, "not over" in early.err) == (2, True)
    with Logbook(BOOK) as other:
        assert [one.number for one in other.statements.of("skid tf-2 2026-03-03")] == [0]
        assert other.statements.of("skid tf-2 2026-03-04") == []


def test_late_data_make_a_correction_that_says_what_it_changes(run, book, home):
    """Sent, late data, sent again: the second document is correction 1 and names the barrels before and now."""
    store = open_store(str(home / "skidhand-data/lake"))
    site.fill(store, ["tf-1"], hours=1, until=site.NOW - timedelta(hours=4))
    words = ("report", "--skid", "tf-1", "--day", "2026-03-03", "--send", "--who", "ada")
    assert run(*words, "--out", "a.html").err.endswith("statement.\n")
    site.fill(store, ["tf-1"], hours=2, until=site.NOW - timedelta(hours=5))
    store.close()
    assert run(*words, "--out", "b.html").err.endswith("correction 1.\n")
    first, second = ((home / name).read_text() for name in ("a.html", "b.html"))
    assert "What the correction changes" not in first
    assert "correction 1, of 2026-03-04 09:00 UTC; it replaces what was stated before" in second
    row = second[second.index("treated.total") :]
    cells = re.findall(r"<td[^>]*>([^<]*)</td>", row)[:3]
    with Logbook(BOOK) as other:
        kept = [Figures.model_validate(one.figures) for one in other.statements.of("skid tf-1 2026-03-03")]
    assert cells == [*(str(one.skids[0].treated.total) for one in kept), "[bbl_us]"]
    assert kept[0].skids[0].treated.total < kept[1].skids[0].treated.total
    assert "Changed too, see the CSV files: days, runs, quality." in second


def test_the_command_speaks_spanish(run, book, store, home):
    """Every word of the document is Spanish, events and the note on custody too; numbers are the same."""
    lake = open_store(str(home / "skidhand-data/lake"))
    site.fill(lake, ["tf-2"], hours=2)
    lake.close()
    split = site.finding(skid="tf-2")
    site.put(book, split)
    english, spanish = (
        (run("report", "--skid", "tf-2", "--day", "2026-03-04", "--out", "r.html", "--language", code),
         (home / "r.html").read_text())[1] for code in ("en", "es")
    )  # fmt: skip
    assert 'lang="es"' in spanish
    for words in ("No es transferencia de custodia", "Agua tratada entregada (FQT-701)", "El periodo no ha terminado",
                  "el rechazo", "Cómo se obtienen las cifras"):  # fmt: skip
        assert words in spanish
    plain = [" ".join(re.sub(r"<style.*?</style>|<svg.*?</svg>|<[^>]*>", " ", t, flags=re.DOTALL).split())
             for t in (english, spanish)]  # fmt: skip
    words = [set(re.findall(r"[a-z]{4,}", text.lower())) for text in plain]
    own = {"skid", "tansy", "flat", "reuse", "sorrel", "america", "denver", "outlet", "cyclone", "filter", "figures"}
    assert words[0] & words[1] - own == set()
    numbers = [re.findall(r"[\d.]+ (?:bbl|mg/L|h|%)", text) for text in plain]
    assert sorted(numbers[0]) == sorted(numbers[1])
