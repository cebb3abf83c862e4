"""Every format holds the same rows."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from datetime import UTC, datetime

import pandas as pd
import pytest

from skidhand.cli.options import Format
from skidhand.cli.output import print_rows

ROWS = [
    {"time": datetime(2026, 3, 1, 12, tzinfo=UTC), "tag": 'PDT-301, "dp"', "value": 4.25, "good": True, "extra": 1},
    {"time": datetime(2026, 3, 1, 13, tzinfo=UTC), "tag": "[bold]µ[/bold]", "value": None, "good": False},
]
COLUMNS = ("time", "tag", "value", "good")


def test_table(capsys):
    """People see yes and no, times in UTC, and text as it is."""
    print_rows(ROWS, COLUMNS, Format.TABLE)
    out = capsys.readouterr().out
    assert [part for part in ("2026-03-01 12:00Z", "4.25", "yes", "no", "[bold]µ[/bold]") if part not in out] == []
    assert "extra" not in out


def test_json(capsys):
    """A list of objects with the columns in order; what is missing is null."""
    print_rows(ROWS, COLUMNS, Format.JSON)
    found = json.loads(capsys.readouterr().out)
    assert [list(row) for row in found] == [list(COLUMNS)] * 2
    assert found[0]["time"] == "2026-03-01T12:00:00+00:00"
    assert (found[1]["value"], found[1]["good"]) == (None, False)


def test_csv(capsys):
    """A reader gets back what was put in, quotes and commas too."""
    print_rows(ROWS, COLUMNS, Format.CSV)
    first, second = csv.DictReader(io.StringIO(capsys.readouterr().out))
    assert first["tag"] == 'PDT-301, "dp"'
    assert datetime.fromisoformat(first["time"]) == ROWS[0]["time"]
    assert second["value"] == ""


def test_parquet_through_a_pipe():
    """pandas reads from a pipe what the command wrote, types included."""
    command = [sys.executable, "-m", "skidhand.cli", "plugins", "--kind", "unit_type", "--format", "parquet"]
    ran = subprocess.run(command, capture_output=True, check=True)
    frame = pd.read_parquet(io.BytesIO(ran.stdout))
    assert list(frame.columns) == ["kind", "name", "module", "distribution"]
    assert "media_filter" in set(frame["name"])


@pytest.mark.parametrize("format", [Format.TABLE, Format.JSON, Format.CSV])
def test_no_rows(capsys, format):
    """Nothing found is no error, and the columns are still told."""
    print_rows([], COLUMNS, format)
    out = capsys.readouterr().out
    assert out.strip() == "[]" if format is Format.JSON else all(name in out for name in COLUMNS)
