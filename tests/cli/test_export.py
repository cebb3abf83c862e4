"""``skidhand export``: files with their dictionary, the same bytes by version, progress, nothing half written."""

from __future__ import annotations

import csv
import hashlib
import json
from contextlib import closing
from datetime import timedelta

import openpyxl
import pyarrow.parquet as pq
import pytest

from skidhand.cli import export as command
from skidhand.stores import open_store
from tests.board import site

SPAN = ("tf-1", "--since", "2026-03-04T07:00:00Z", "--until", "2026-03-04T09:00:00Z")


@pytest.fixture
def lake(home):
    """A lake with two hours of a skid, and the logbook beside it; one note would be a formula in a spreadsheet."""
    text = site.fleet_text((("tf-1", site.HOSTILE, "tansy-4"),)).replace("note: treated water", 'note: "=1+1"')
    store = open_store(str(home / "skidhand-data/lake"))
    with site.logbook_of("skidhand-data/logbook.db", text):
        site.fill(store, ["tf-1"], hours=3)
        yield store
    store.close()


def digest(path):
    """SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("format", ["parquet", "xlsx"])
def test_a_file_is_made_again_after_late_data(run, lake, home, format):
    """By the version that the command names, the same bytes; without it the late sample is in."""
    told = run("export", *SPAN, "--cleaned", "--format", format, "--out", "a")
    assert told.code == 0, told.err
    version = told.err.split()[-1]
    site.fill(lake, ["tf-1"], hours=1, step_s=30)
    run("export", *SPAN, "--cleaned", "--format", format, "--as-of", version, "--out", "b")
    run("export", *SPAN, "--cleaned", "--format", format, "--out", "c")
    assert digest(home / "a") == digest(home / "b") != digest(home / "c")


def test_each_format_opens_and_says_the_same(run, lake, home):
    """CSV, Parquet and Excel by their usual readers: equal to the last digit; a dictionary row a series, no formula."""
    for format in ("csv", "parquet", "xlsx"):
        assert run("export", *SPAN, "--format", format, "--out", f"a.{format}").code == 0
    table = pq.read_table(home / "a.parquet")
    with (home / "a.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    with closing(openpyxl.load_workbook(home / "a.xlsx", read_only=True)) as book:
        sheet = list(book["data"].iter_rows(values_only=True, min_row=2))
    assert len(rows) == len(sheet) == len(table) == 4 * 120 + 1
    for name in ("series", "value", "unit"):
        at = table.schema.names.index(name)
        values = table[name].to_pylist()
        assert [row[at] for row in sheet] == values
        assert [float(row[name]) if name == "value" else row[name] for row in rows] == values
    meta = json.loads(table.schema.metadata[b"skidhand"])
    with (home / "a.parquet.dictionary.csv").open(newline="") as file:
        told = {row["name"]: row for row in csv.DictReader(file)}
    assert {name: row["unit"] for name, row in told.items()} == meta["units"]
    assert told["AT-301"]["means"] == "'=1+1"


def test_a_large_export_tells_how_far_it_is(run, lake, home, monkeypatch):
    """A line each million rows (here each hundred), to stderr; what is refused leaves no file."""
    monkeypatch.setattr(command, "LARGE", 100)
    long = ("tf-1", "--since", "2026-03-04T06:00:00Z", "--until", "2026-03-05T09:00:00Z")
    site.fill(lake, ["tf-1"], hours=1, until=site.NOW + timedelta(days=1), step_s=30)
    ran = run("export", *long, "--out", "a.csv")
    assert [line for line in ran.err.splitlines() if "rows …" in line] == ["721 rows …", "1,198 rows …"]
    assert "rows …" not in ran.out
    assert run("export", *SPAN, "--series", "nothing", "--out", "b.csv").code == 2
    assert sorted(path.name for path in home.glob("*.csv*")) == ["a.csv", "a.csv.dictionary.csv"]
