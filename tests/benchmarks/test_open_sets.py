"""The open sets' measures by hand; what is measured with them is the benchmark's work."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks import open_filters, open_sets
from benchmarks.open_sets import cover, f1
from tests.support import datasets


def test_f1_by_hand():
    """One person marks 50, another 50 and 80; 52 and 70 are found. Precision 2 of 3, recall 1 and 2/3 averaged."""
    people = {"a": [50], "b": [50, 80]}
    precision, recall = 2 / 3, (1 + 2 / 3) / 2
    assert f1(people, [52, 70]) == pytest.approx(2 * precision * recall / (precision + recall))
    assert f1({"a": []}, []) == 1.0


def test_one_find_answers_one_mark():
    """Two marks within the margin of one find are one hit."""
    assert f1({"a": [50, 54]}, [52]) == pytest.approx(2 * 1 * (2 / 3) / (1 + 2 / 3))


def test_cover_by_hand():
    """Halves of 100 points against none found: each half's overlap is 1/2; found exactly: 1."""
    assert cover({"a": [50]}, [], 100) == pytest.approx(0.5)
    assert cover({"a": [50]}, [50], 100) == 1.0


def test_without_recordings_it_says_so(monkeypatch):
    """Where the folder is absent there is one row, with no figure, that tells why."""
    monkeypatch.setattr(datasets, "folder", lambda: None)
    (row,) = open_sets.measure(True)
    assert (row.ours, row.holds, "SKIDHAND_DATASETS" in row.note) == (None, None, True)


def test_a_filters_rows_tell_how_far_off_it_was():
    """Ten made runs of one shape, lives 100 to 118 s by their load: told to 3 % of life, on five runs, half of them."""
    set_ = open_filters.OpenSet("made", "", 600.0, "load", None, 5.0, (4, 4, 4, 0.5))
    lives = [100.0 + 2.0 * k for k in range(10)]
    runs = [
        open_filters.Recording(
            np.ones(int(life)), 600.0 * (np.arange(int(life)) / life) ** 2 + 1.0, life, 100.0 / life, ""
        )
        for life in lives
    ]
    found = {row.name: row for row in open_filters.rows(set_, runs)}
    assert found["made: mean error"].ours < 3.0
    assert found["made: error at 50%"].ours < 3.0
    assert found["made: mean error"].note.startswith("5 runs")


def test_a_set_that_is_not_there_is_skipped_with_its_file(tmp_path):
    """An empty folder gives one row a set, without a figure, that names the file."""
    rows = list(open_filters.measure(tmp_path))
    assert len(rows) == len(open_filters.SETS)
    assert all(row.ours is None and "skipped" in row.note and ".parquet" in row.note for row in rows)
