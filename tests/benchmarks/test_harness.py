"""The benchmarks' harness: rows, ratios, what it exits with; the measuring itself is not a test's work."""

from __future__ import annotations

import io
import json
import sys
import types

import pytest
from rich.console import Console

from benchmarks import __main__ as command
from benchmarks import harness
from benchmarks.harness import Row


def test_a_row_tells_ours_by_what_stands_beside_it():
    """The ratio is ours over beside; without one of them, or beside nothing, there is none."""
    assert Row("a", ours=3.0, beside=2.0).ratio == 1.5
    assert Row("a", ours=3.0).ratio is None
    assert Row("a", beside=3.0).ratio is None
    assert Row("a", ours=3.0, beside=0.0).ratio is None


def test_every_group_is_found():
    """A module with measure is a group, by its name; the parts that groups share are none."""
    assert {"ingest", "store"} <= set(harness.names())
    assert not {"harness", "beside", "store_data", "__main__"} & set(harness.names())


@pytest.mark.parametrize(("holds", "code"), [(True, 0), (None, 0), (False, 1)])
def test_a_target_that_does_not_hold_ends_with_1(tmp_path, monkeypatch, holds, code):
    """The rows are printed and written as JSON, and one target missed is the answer no."""
    rows = [Row("speed", "ms", 20.0, 40.0, "≤ 1.0", True), Row("size", "bytes", 1.5, None, "≤ 2.0", holds, "note")]
    made = types.ModuleType("benchmarks.made")
    made.measure = lambda quick: iter(rows if quick else [])
    monkeypatch.setitem(sys.modules, "benchmarks.made", made)
    monkeypatch.setattr(command, "names", lambda: ["made"])
    file = tmp_path / "rows.json"
    assert command.main(["made", "--quick", "--json", str(file)]) == code
    written = json.loads(file.read_text())
    assert [row["ratio"] for row in written] == [0.5, None]
    assert [row["holds"] for row in written] == [True, holds]


def test_the_table_shows_each_column():
    """Name, ours, beside, ratio, target and holds stand there; a target that was missed is shouted."""
    out = io.StringIO()
    row = Row("speed", "ms", 2000.0, 1000.0, "≤ 1.0", False, "why")
    harness.show([row, Row("skipped", note="no server")], Console(file=out, width=120))
    text = out.getvalue()
    for part in ("name", "ours", "beside", "ratio", "target", "holds", "2,000 ms", "1,000 ms", "NO", "no server"):
        assert part in text
