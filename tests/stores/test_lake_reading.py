"""A lake opens only the files and row groups that can hold the answer, and gives what all of them would."""

from __future__ import annotations

import random
import time
from bisect import bisect_left

import pytest
from deltalake import DeltaTable

from skidhand.stores import lake_groups, lake_read, lake_rollup, lake_tidy
from skidhand.stores.lake import LakeStore
from skidhand.stores.lake_groups import Footers
from skidhand.stores.lake_live import any_between
from skidhand.stores.lake_table import LOGGED
from skidhand.stores.memory import MemoryStore
from tests.stores.support import at, batch, good, points, read_all

SERIES = [f"a/{name}" for name in ("b", "bb", "c", "é", "z", "😀")]


@pytest.fixture
def lake(tmp_path):
    """A lake with no data yet."""
    return LakeStore(str(tmp_path / "lake"))


@pytest.fixture
def small_groups(monkeypatch):
    """Row groups of a few rows, and no file so small that it is decoded whole."""
    monkeypatch.setattr(lake_tidy, "ROW_GROUP", 7)
    monkeypatch.setattr(lake_rollup, "_ROW_GROUP", 5)
    monkeypatch.setattr(lake_tidy, "SLICE_ROWS", 60)
    monkeypatch.setattr(lake_groups, "AT_ONCE", 2)
    monkeypatch.setattr(lake_read, "SMALL", 0)


def test_pruned_reads_give_what_a_store_without_files_gives(lake, small_groups):
    """Three days sealed, late rows merged beside them, fresh ones after: every window of every series is the same."""
    rng, plain = random.Random(3), MemoryStore()
    for n in range(12):
        hours = range(0, 72) if n < 9 else range(60, 80)
        rows = [(name, rng.choice(hours) * 3600.0 + k, float(n), 0, n * 10.0) for name in SERIES for k in range(4)]
        for store in (lake, plain):
            store.write(batch(n, rows))
        if n in (6, 8):
            list(lake.tidy(now=at(62 * 3600)))
    for attempt in range(40):
        names = rng.sample([*SERIES, "a/absent"], rng.randint(1, 4))
        first, hours = rng.randint(-13, 80), rng.choice((1, 5, 30, 100))
        span = at(first * 3600), at((first + hours) * 3600)
        assert lake.read(names, *span).equals(plain.read(names, *span))
        if attempt % 4 == 0:
            width = rng.choice((60, 3600))
            assert lake.read_buckets(names, *span, width).equals(plain.read_buckets(names, *span, width))


@pytest.mark.parametrize(("name", "first", "needed"), [("a/m", 0, 1), ("a/x", 10, 3)], ids=["series", "time"])
def test_a_file_that_cannot_hold_the_answer_is_not_opened(lake, tmp_path, name, first, needed):
    """Of another series or another time by the log's statistics alone: its bytes may be gone and nobody asks."""
    lake.write(batch(1, good("a/k", (0, 1)) + good("a/m", (5, 2))))
    lake.write(batch(2, good("a/x", (0, 1), (5, 2))))
    lake.write(batch(3, good("a/x", (10, 3))))
    live = [set(DeltaTable(f"{lake.path}/samples", version=version).file_uris()) for version in range(4)]
    for uri in live[3] - (live[needed] - live[needed - 1]):
        (tmp_path / uri).unlink()
    assert len(lake.read([name], at(first), at(first + 10))) == 1


def test_bounds_of_names_are_those_of_their_bytes():
    """A name lies between two others exactly if its UTF-8 bytes do, whatever the script."""
    names = sorted(SERIES)
    assert names == sorted(names, key=str.encode)
    for low in names:
        for high in names[bisect_left(names, low) :]:
            between = [n for n in names if low.encode() <= n.encode() <= high.encode()]
            assert [n for n in names if any_between([n], low, high)] == between
    assert any_between(["a/b"], None, None)
    assert not any_between([], None, None)


def test_an_unchanged_lake_is_not_listed_again(lake, monkeypatch):
    """One look for the next commit's file is enough; it is not once that file may have been cleaned away."""
    lake.write(batch(1, good("a/x", (0, 1))))
    lake.series()
    listed = []
    refresh = lake._table._delta.update_incremental

    class Counted:
        def __getattr__(self, name):
            return getattr(delta, name)

        def update_incremental(self):
            listed.append(1)
            refresh()

    delta, lake._table._delta = lake._table._delta, Counted()
    assert points(read_all(lake)) == [("a/x", 0, 1)]
    assert listed == []
    LakeStore(lake.path).write(batch(2, good("a/x", (1, 2))))
    assert points(read_all(lake)) == [("a/x", 0, 1), ("a/x", 1, 2)]
    assert len(listed) == 1
    now = time.monotonic()
    monkeypatch.setattr(time, "monotonic", lambda: now + LOGGED.total_seconds())
    lake.version()
    assert len(listed) == 2


def test_footers_are_kept_up_to_their_limit(lake, small_groups):
    """The one that was asked for longest ago goes first; the newest is kept though it be larger than the limit."""
    for n in range(3):
        lake.write(batch(n, good("a/x", *((n * 86_400 + k, k) for k in range(20)))))
    list(lake.tidy(now=at(9 * 86_400)))
    files, snapshot = lake._snapshot(None).files, lake._snapshot(None)
    footers = Footers(limit=2 * 3 * 7)  # two files of three row groups and seven columns
    first, second, third = (footers.of(snapshot.filesystem, path, "time") for path in files.paths)
    assert footers.of(snapshot.filesystem, files.paths[2], "time") is third
    assert footers.of(snapshot.filesystem, files.paths[1], "time") is second
    assert footers.of(snapshot.filesystem, files.paths[0], "time") is not first
    assert footers.of(snapshot.filesystem, files.paths[1], "time") is second
    tiny = Footers(limit=1)
    kept = tiny.of(snapshot.filesystem, files.paths[0], "time")
    assert tiny.of(snapshot.filesystem, files.paths[0], "time") is kept
