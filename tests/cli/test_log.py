"""What people write: typed, checked against the fleet file, found again, and taken from a CSV once."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest

from skidhand.cli import log
from skidhand.logbook import Logbook
from skidhand.model.entry_kinds import KINDS
from tests.board import site

BOOK = "skidhand-data/logbook.db"


@pytest.fixture
def written(home):
    """A logbook whose stream stands at NOW."""
    with site.logbook_of(BOOK, site.fleet_text(site.THREE)) as book:
        book.clock.announce(site.NOW)


def listed(run, *words):
    """Entries as the command lists them."""
    ran = run("log", "list", "--format", "json", *words)
    assert ran.code == 0, ran.err
    return json.loads(ran.out)


def test_the_options_are_the_models_fields():
    """Each kind has one option a field of its model, and no other."""
    assert {kind: {name for name, *_ in fields} for kind, (_, _, fields) in log.KINDS.items()} == {
        kind: set(model.model_fields) for kind, model in KINDS.items()
    }


def test_a_result_is_written_and_found(run, written):
    """A result stands with its unit at the time of the stream, and a search needs all of its words."""
    ran = run("log", "lab", "--skid", "tf-1", "--analyte", "oil", "--value", 12.5, "--unit", "mg/L", "--who", "robin",
              "--text", "after the wash")  # fmt: skip
    assert ran.code == 0, ran.err
    (row,) = listed(run, "--search", "WASH oil")
    assert (row["kind"], row["skid"], row["who"]) == ("lab", "tf-1", "robin")
    assert "value 12.5, unit mg/L" in row["data"]
    assert row["at"].startswith("2026-03-04")
    assert listed(run, "--search", "wash turbidity") == []


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("lab", "--skid", "tf-1", "--analyte", "ph", "--value", "15", "--unit", "[pH]"), "outside 0 to 14"),
        (("lab", "--skid", "tf-1", "--analyte", "oil", "--value", "5", "--unit", "[psi]"), "a unit like mg/L"),
        (("lab", "--skid", "tf-1", "--analyte", "oil", "--value", "5", "--unit", "mgl"), "not a UCUM unit code"),
        (("lab", "--skid", "tf-1", "--value", "5", "--unit", "mg/L"), "analyte: is needed"),
        (("lab", "--skid", "tf-9", "--analyte", "oil", "--value", "5", "--unit", "mg/L"), "there are tf-1, tf-2, tf-3"),
        (("work", "--skid", "tf-1", "--unit-id", "cyclone", "--resets", "media"), "there are filter-a"),
        (("work", "--skid", "tf-1", "--resets", "media"), "needs unit_id"),
        (("calibration", "--skid", "tf-1", "--tag", "AT-999"), "there are AT-301"),
        (("truck", "--ticket", "1", "--amount", "130"), "--skid says whose truck"),
        (("waste", "--skid", "tf-1", "--what", "survey"), "a survey needs dose_rate"),
        (("note",), "a note needs its text"),
    ],
)
def test_what_cannot_be_is_refused(run, written, words, told):
    """A slip is wrong use, the message says what would be right, and nothing is written."""
    ran = run("log", *words)
    assert ran.code == 2
    assert told in ran.err
    assert listed(run) == []


def test_a_csv_keeps_its_good_lines_and_doubles_nothing(run, written, home):
    """Each bad line is told with its number and reason; the good ones stand once, however often they are read."""
    (home / "a.csv").write_text(
        "at,kind,skid,who,text,analyte,value,unit,ticket,amount\n"
        "2026-03-02 14:30,lab,tf-1,robin,,oil,12.5,mg/L,,\n"
        "yesterday,lab,tf-1,robin,,oil,12.5,mg/L,,\n"
        "2026-03-02 14:30,lab,tf-1,robin,,oil,much,mg/L,,\n"
        "\n"
        '2026-03-02T15:00Z,truck,tf-2,,"two\nlines",,,,40012,130\n'
        "2026-03-02T15:00Z,truck,tf-2,,,,,,40013,130,5\n",
        encoding="utf-8",
    )
    ran = run("log", "import", "a.csv")
    assert ran.code == 1
    told = [line.split(": ", 1) for line in ran.err.splitlines()]
    assert [where for where, *_ in told[:3]] == ["a.csv:3", "a.csv:4", "a.csv:8"]
    assert "not a time" in told[0][1]
    assert "value 'much'" in told[1][1]
    assert "more cells" in told[2][1]
    assert "2 new, 0 known already, 3 refused." in ran.err
    assert "0 new, 2 known already, 3 refused." in run("log", "import", "a.csv").err
    first, second = listed(run)
    assert (first["at"], second["at"]) == ("2026-03-02T15:00:00+00:00", "2026-03-02T20:30:00+00:00")
    with Logbook(BOOK) as book:
        (lab,) = book.entries.all(kind="lab")
    assert lab.at - site.NOW == timedelta(days=-2, hours=11, minutes=30)  # 14:30 in Chicago


def test_a_csv_without_its_columns_is_no_csv_of_ours(run, written, home):
    """A header that is wrong takes nothing and names the column."""
    (home / "a.csv").write_text("at,kind,colour\n2026-03-02T15:00Z,note,red\n", encoding="utf-8")
    ran = run("log", "import", "a.csv")
    assert (ran.code, "'colour'" in ran.err) == (2, True)


def test_a_calibration_is_due_by_the_fleet_file(run, written):
    """Without a date of its own it takes the instrument's unit; a date given stands."""
    assert run("log", "calibration", "--skid", "tf-1", "--tag", "AT-301", "--due", "2026-06-01").code == 0
    with Logbook(BOOK) as book:
        (entry,) = book.entries.all(kind="calibration")
    assert entry.data == {"tag": "AT-301", "unit": "mg/L", "due": "2026-06-01"}


def test_a_handover_is_signed_by_both(run, written):
    """What stands is told; the leaving shift signs with a note, the coming shift takes it, and nobody signs both."""
    with Logbook(BOOK) as book:
        split = site.finding()
        site.put(book, split)
        site.prompt(book, split, "4821")
    assert run("log", "work", "--skid", "tf-1", "--unit-id", "filter-a", "--resets", "media").code == 0
    assert run("log", "calibration", "--skid", "tf-2", "--tag", "AT-301", "--due", "2026-03-01").code == 0
    assert run("log", "calibration", "--skid", "tf-3", "--tag", "AT-301", "--due", "2026-06-01").code == 0
    ran = run("handover", "--format", "json")
    assert ran.code == 0, ran.err
    rows = [(row["what"], row["skid"], row["where"]) for row in json.loads(ran.out)]
    assert rows == [
        ("open, unacknowledged", "tf-1", "cyclone"),
        ("renewed", "tf-1", "filter-a"),
        ("calibration due", "tf-2", "AT-301"),
    ]
    assert run("handover", "--take", "--who", "sasha").code == 2
    assert run("handover", "--sign", "--who", "robin", "--note", "truck at six").code == 0
    assert run("handover", "--take", "--who", "robin").code == 2
    assert run("handover", "--take", "--who", "sasha").code == 0
    last = json.loads(run("handover", "--format", "json").out)[-1]
    assert last["text"] == "robin: truck at six (taken by sasha)"
    assert run("handover", "--take", "--who", "sasha").code == 2
