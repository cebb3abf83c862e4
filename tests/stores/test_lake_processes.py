"""The lake with several processes at once, and with processes killed at any moment: 0 lost, 0 doubled."""

from __future__ import annotations

import random
import time
from collections import Counter
from contextlib import ExitStack

import pytest
from deltalake import DeltaTable

from skidhand.stores.lake import LakeStore
from tests.stores.spool_process import SERIES, SpoolProcess, rows_of, tidy, write
from tests.stores.support import at, batch, points, read_all


def writer(path, name, count=25):
    """A process that writes that many batches of one writer."""
    return SpoolProcess(write, str(path), name, count)


def audit(path, counts):
    """Every sample that the writers were given stands in the files exactly once, with its value.

    Counts the rows as they lie, without the store's deduplication, so that a doubled row is seen.
    """
    lying = DeltaTable(f"{path}/samples").to_pyarrow_table(columns=["series", "time", "value"])
    expected = [row[:3] for w, n in counts.items() for number in range(1, n + 1) for row in rows_of(w, number)]
    assert lying.num_rows == len(expected) == SERIES * sum(counts.values())
    assert Counter(points(lying)) == Counter(expected)
    store = LakeStore(str(path))
    assert points(read_all(store)) == sorted(expected)
    assert {w: store.landed(w).number for w in counts} == counts


def test_processes_write_at_once(tmp_path):
    """Three writers into a lake that is not there yet, from its creation on: all rows land once."""
    with ExitStack() as stack:
        for running in [stack.enter_context(writer(tmp_path, w)) for w in "abc"]:
            running.finish()
    audit(tmp_path, {"a": 25, "b": 25, "c": 25})


def test_one_spool_drained_by_two_processes(tmp_path):
    """A spool started twice by mistake: each of its batches lands once all the same."""
    with writer(tmp_path, "a") as one, writer(tmp_path, "a") as other:
        one.finish()
        other.finish()
    audit(tmp_path, {"a": 25})


def test_tidy_beside_writers(tmp_path):
    """Two tidying processes beside two writers: nothing lost, nothing doubled, and files were merged."""
    with writer(tmp_path, "a") as a, writer(tmp_path, "b") as b:
        a.hear()
        with SpoolProcess(tidy, str(tmp_path)) as first, SpoolProcess(tidy, str(tmp_path)) as second:
            a.finish()
            b.finish()
            patience = time.monotonic() + 60
            while len(DeltaTable(f"{tmp_path}/samples").file_uris()) >= 25:
                assert time.monotonic() < patience, "tidy merges nothing"
                time.sleep(0.05)
            assert first.process.is_alive()
            assert second.process.is_alive()
    audit(tmp_path, {"a": 25, "b": 25})


def test_killed_anywhere(tmp_path):
    """A writer and a tidy are killed again and again at random moments; what was acknowledged stays."""
    rng = random.Random(3)
    for _ in range(12):
        with writer(tmp_path, "a", 10_000) as writing, SpoolProcess(tidy, str(tmp_path)) as tidying:
            heard = [writing.hear()]
            tidying.hear()
            time.sleep(rng.uniform(0.0, 0.4))
            writing.kill()
            tidying.kill()
            heard += writing.rest()
        acknowledged = int(heard[-1].split()[1])
        landed = LakeStore(str(tmp_path)).landed("a")
        assert landed.number in (acknowledged, acknowledged + 1), "at most the one in flight landed unheard"
        audit(tmp_path, {"a": landed.number})
    store = LakeStore(str(tmp_path))
    before = points(read_all(store))
    list(store.tidy(now=at(4 * 86_400)))
    assert points(read_all(store)) == before
    assert store.write(batch(10_001, rows_of("a", 10_001), writer="a"))


@pytest.mark.parametrize("moment", ["before", "after"])
def test_killed_on_either_side_of_a_merges_commit(tmp_path, monkeypatch, moment):
    """Stopped just before or just after the commit of a merge, the same rows are there, and tidy goes on."""
    store = LakeStore(str(tmp_path))
    for number in range(1, 7):
        store.write(batch(number, rows_of("a", number), writer="a"))
    commit = store._table.commit

    def stop(*arguments):
        if moment == "after":
            commit(*arguments)
        raise KeyboardInterrupt

    monkeypatch.setattr(store._table, "commit", stop)
    with pytest.raises(KeyboardInterrupt):
        list(store.tidy(now=at(0)))
    audit(tmp_path, {"a": 6})
    again = LakeStore(str(tmp_path))
    list(again.tidy(now=at(4 * 86_400)))
    audit(tmp_path, {"a": 6})
    assert len(DeltaTable(f"{tmp_path}/samples").file_uris()) == 2, "one sealed file for each of two days"
