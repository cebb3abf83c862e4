"""What only the lake has: its files, its log's horizon, its errors."""

from __future__ import annotations

import json
import os
import time
from datetime import timedelta
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from deltalake import CommitProperties, DeltaTable, Transaction, write_deltalake
from deltalake.transaction import AddAction

from skidhand.errors import SchemaError, StoreConflictError, StoreError, WriterMismatchError
from skidhand.stores import lake_tidy
from skidhand.stores.base import Landed, Span
from skidhand.stores.lake import LakeStore
from skidhand.stores.lake_table import KEPT, LAKE_SCHEMA, LakeTable
from tests.stores.support import at, batch, good, points, read_all, us


@pytest.fixture
def path(tmp_path):
    """The folder of a lake that is not there yet."""
    return tmp_path / "lake"


@pytest.fixture
def lake(path):
    """A lake with no data yet."""
    return LakeStore(str(path))


def delta(path) -> DeltaTable:
    """The table as another program opens it."""
    return DeltaTable(str(path / "samples"))


def files(path) -> list[str]:
    """Names of the live data files, oldest first."""
    return [uri.rpartition("/")[2] for uri in delta(path).file_uris()]


def grow_old(path, days=KEPT.days + 1):
    """Set the clock of all commits back, as if they had been made days ago."""
    then = time.time() - days * 86_400
    for file in (path / "samples" / "_delta_log").iterdir():
        os.utime(file, (then, then))


def test_reading_makes_no_folder(lake, path):
    """A mistyped path is not turned into an empty lake by looking at it."""
    lake.read(["a/x"], at(0), at(1))
    lake.changes(None)
    list(lake.tidy(now=at(0)))
    assert not path.exists()


def test_other_programs_read_it_as_it_lies(lake, path):
    """Any Delta reader sees the columns, partitioned by the UTC day of the source time."""
    lake.write(batch(1, good("a/x", (0, 1.5), (43_199.999999, 2), (43_200, 3))))
    frame = delta(path).to_pandas().sort_values("time")
    assert frame["value"].tolist() == [1.5, 2, 3]
    assert [str(day) for day in frame["day"]] == ["2026-03-01", "2026-03-01", "2026-03-02"]
    assert frame["writer"].unique().tolist() == ["w"]
    assert frame["batch"].unique().tolist() == [1]
    assert delta(path).metadata().partition_columns == ["day"]


def test_receive_times_are_kept_in_whole_seconds(lake):
    """Rounded down, before the epoch too, and the order among duplicates follows what was kept."""
    lake.write(batch(1, [("a/x", 0, 1.0, 0, 7.999999), ("a/y", 0, 1.0, 0, -us(0) / 1e6 - 0.5)], writer="v"))
    received = read_all(lake).column("received").to_pylist()
    assert [moment - at(0) for moment in received] == [timedelta(seconds=7), timedelta(seconds=-us(0) / 1e6 - 1)]
    lake.write(batch(1, [("a/x", 0, 2.0, 0, 7.1)], writer="w"))
    assert points(read_all(lake, ["a/x"])) == [("a/x", 0, 2.0)]


def test_a_day_is_merged_then_sealed_then_takes_late_rows(lake, path):
    """Few files at any time: fresh ones merge, the day that is over is sealed, late rows merge beside it."""
    for n in range(8):
        lake.write(batch(n, good("a/x", (n, n)) + good("a/y", (n, n), (n + 0.5, 0))))
    assert len(files(path)) == 8
    (line,) = lake.tidy(now=at(3600))
    assert line == "2026-03-01: 8 files with 24 rows settled into 24 rows"
    assert [name.partition("-")[0] for name in files(path)] == ["settled"]
    assert list(lake.tidy(now=at(3600))) == []
    over = at(13 * 3600)
    assert list(lake.tidy(now=over)) == [
        "2026-03-01: 1 files with 24 rows sealed into 24 rows",
        "rollups 2026-03: 1 days rolled up",
    ]
    assert list(lake.tidy(now=over)) == []
    lake.write(batch(8, [("a/x", 0, 9.0, 0, 90_000)]))
    list(lake.tidy(now=over))
    assert sorted(name.partition("-")[0] for name in files(path)) == ["sealed", "settled"]
    lake.write(batch(9, good("a/x", *((k, k) for k in range(100, 120)))))
    assert next(iter(lake.tidy(now=over))) == "2026-03-01: 3 files with 45 rows sealed into 44 rows"
    assert points(read_all(lake))[0] == ("a/x", 0, 9.0)


def test_a_large_day_is_written_by_ranges_of_series(lake, path, monkeypatch):
    """A day that does not fit in memory at once becomes several files, each with its own series."""
    monkeypatch.setattr(lake_tidy, "SLICE_ROWS", 10)
    for n in range(4):
        lake.write(batch(n, [row for k in range(7) for row in good(f"a/{k}", (n, k))]))
    before = read_all(lake)
    assert next(iter(lake.tidy(now=at(90_000)))) == "2026-03-01: 4 files with 28 rows sealed into 28 rows"
    assert read_all(lake).equals(before)
    parts = [set(pq.read_table(uri)["series"].to_pylist()) for uri in delta(path).file_uris()]
    assert len(parts) == 3
    assert sum(map(len, parts)) == 7


def test_sealed_files_are_sorted_and_prunable(lake, path, monkeypatch):
    """A sealed file is sorted by (series, time) in row groups whose statistics tell one series apart."""
    monkeypatch.setattr(lake_tidy, "ROW_GROUP", 100)
    lake.write(batch(1, [row for k in range(10) for row in good(f"a/{k}", *((t, t) for t in range(100)))]))
    list(lake.tidy(now=at(90_000)))
    (uri,) = delta(path).file_uris()
    table = pq.read_table(uri)
    assert table.equals(table.sort_by([("series", "ascending"), ("time", "ascending")]))
    metadata = pq.read_metadata(uri)
    spans = [metadata.row_group(g).column(0).statistics for g in range(metadata.num_row_groups)]
    assert [(s.min, s.max) for s in spans] == [(f"a/{k}", f"a/{k}") for k in range(10)]
    assert metadata.row_group(0).column(1).compression == "ZSTD"
    assert "DELTA_BINARY_PACKED" in metadata.row_group(0).column(1).encodings


def old_lake(lake, path, monkeypatch):
    """Six batches, then all commits grow old and are cleaned; the cursor and version from before."""
    monkeypatch.setattr(lake_tidy, "CARRY_EVERY", 3)
    lake.set_clock("stream")
    lake.write(batch(1, good("a/x", (0, 1))))
    cursor, version = lake.changes(None).cursor, lake.version()
    for n in range(2, 7):
        lake.write(batch(n, good("a/x", (n, n)) + good(f"a/{n}", (n, n))))
    delta(path).create_checkpoint()  # as the engine makes one every hundred commits
    grow_old(path)
    lines = list(lake.tidy(now=at(0)))
    assert lines[-1].startswith("log: ")
    log = sorted(file.name for file in (path / "samples" / "_delta_log").glob("*.json"))
    assert log[0] > f"{int(version):020d}", "the old commits are really gone"
    return cursor, version


def forget(path):
    """Take away the bundles of old commits, as if they too had grown too old."""
    for file in (path / "samples" / "_history").iterdir():
        file.unlink()


def test_a_short_log_keeps_cursors_and_versions(lake, path, monkeypatch):
    """Commits leave the log after minutes; cursors, old versions and repeated batches go on being answered."""
    cursor, version = old_lake(lake, path, monkeypatch)
    assert len(list((path / "samples" / "_delta_log").glob("*.json"))) < 4
    for store in (lake, LakeStore(str(path))):
        assert store.changes(cursor).spans["a/x"] == Span(us(2), us(6))
        assert points(read_all(store, ["a/x"], as_of=version)) == [("a/x", 0, 1)]
        for old in range(3, 7):
            assert len(read_all(store, ["a/x"], as_of=str(old))) == old - 1
        assert store.write(batch(3, good("a/x", (3, 3)) + good("a/3", (3, 3)))) is False


def test_a_bundle_that_a_killed_tidy_left_is_no_bundle(lake, path, monkeypatch):
    """Killed while it writes a bundle, tidy deletes nothing; the next one writes it whole."""
    monkeypatch.setattr(lake_tidy, "CARRY_EVERY", 3)
    for n in range(1, 6):
        lake.write(batch(n, good("a/x", (n, n))))
    grow_old(path)

    def stop(file):
        if "_history" in file:
            raise KeyboardInterrupt

    with monkeypatch.context() as killed:
        killed.setattr(lake._table, "sync_file", stop)
        with pytest.raises(KeyboardInterrupt):
            list(lake.tidy(now=at(0)))
    assert len(list((path / "samples" / "_delta_log").glob("*.json"))) >= 6
    for n in range(6, 11):
        lake.write(batch(n, good("a/x", (n, n))))
    grow_old(path)
    list(lake.tidy(now=at(0)))
    assert len(read_all(LakeStore(str(path)), as_of="3")) == 3


def test_what_a_cleaned_log_still_tells(lake, path, monkeypatch):
    """After old commits are deleted: rows, landed batches, spans, series and clock are still known."""
    old_lake(lake, path, monkeypatch)
    for store in (lake, LakeStore(str(path))):
        assert store.landed("w") == Landed(6, batch(6, good("a/x", (6, 6)) + good("a/6", (6, 6))).digest)
        assert store.write(batch(6, good("a/x", (6, 6)) + good("a/6", (6, 6)))) is False
        assert store.series() == ["a/2", "a/3", "a/4", "a/5", "a/6", "a/x"]
        assert store.changes(None).spans["a/x"] == Span(us(0), us(6))
        assert len(read_all(store)) == 11
        store.set_clock("stream")
    forget(path)
    with pytest.raises(WriterMismatchError, match="more than 2 days ago"):
        lake.write(batch(3, good("a/x", (3, 3)) + good("a/3", (3, 3))))
    cursor = lake.changes(None).cursor
    assert lake.write(batch(7, good("a/x", (7, 7))))
    assert LakeStore(str(path)).changes(cursor).spans == {"a/x": Span(us(7), us(7))}


def test_a_cursor_or_version_older_than_the_log_is_refused(lake, path, monkeypatch):
    """The error says how long things are kept and what to do; nothing is silently left out."""
    cursor, version = old_lake(lake, path, monkeypatch)
    forget(path)
    for store in (lake, LakeStore(str(path))):
        with pytest.raises(StoreError, match=r"too old: .* 2 days; read everything anew"):
            store.changes(cursor)
        with pytest.raises(StoreError, match=f"version {version} .* 2 days"):
            read_all(store, as_of=version)


def test_the_ledger_is_found_without_reading_a_long_log(lake, path, monkeypatch):
    """A new handle starts from the newest carry and still knows every writer and span."""
    monkeypatch.setattr(lake_tidy, "CARRY_EVERY", 4)
    monkeypatch.setattr("skidhand.stores.lake_ledger.REACH", 4)
    for n in range(1, 21):
        lake.write(batch(n, good(f"a/{n}", (n, n)), writer=f"w{n % 5}"))
        list(lake.tidy(now=at(0)))
    asked = []
    store = LakeStore(str(path))
    history = store._table.history
    monkeypatch.setattr(store._table, "history", lambda d, after: asked.append(after) or history(d, after))
    assert len(store.series()) == 20
    assert {store.landed(f"w{k}").number for k in range(5)} == {16, 17, 18, 19, 20}
    assert min(asked) > 10


def test_a_log_that_another_program_cleaned_is_told(lake, path):
    """Without the commits or a carry the store cannot know what landed, so it does not guess."""
    for n in range(5):
        lake.write(batch(n, good("a/x", (n, n))))
    table = delta(path)
    table.create_checkpoint()
    grow_old(path)
    table.cleanup_metadata()
    with pytest.raises(StoreError, match="cleaned by another program"):
        LakeStore(str(path)).write(batch(4, good("a/x", (4, 4))))


def test_a_newer_format_is_refused(lake, path):
    """A lake that a newer program made is neither read nor written."""
    DeltaTable.create(
        str(path / "samples"),
        LAKE_SCHEMA,
        partition_by="day",
        configuration={"skidhand.format": "9"},
        raise_if_key_not_exists=False,
    )
    for call in (lambda: lake.series(), lambda: lake.write(batch(1, good("a/x", (0, 1))))):
        with pytest.raises(SchemaError, match="format 9; this program reads format 2"):
            call()


def test_a_broken_file_is_a_store_error(lake, path):
    """What Arrow and Delta raise comes out as StoreError with its cause chained."""
    lake.write(batch(1, good("a/x", (0, 1))))
    (uri,) = delta(path).file_uris()
    os.truncate(uri, 40)
    with pytest.raises(StoreError) as caught:
        read_all(LakeStore(str(path)), ["a/x"])
    assert caught.value.__cause__ is not None
    (path / "samples" / "_delta_log" / f"{1:020d}.json").write_text("{not json")
    with pytest.raises(StoreError):
        LakeStore(str(path)).series()


def test_a_damaged_log_is_not_an_empty_lake(lake, path):
    """A lake whose log cannot be opened is an error for a reader, never "no samples"."""
    lake.write(batch(1, good("a/x", (0, 1))))
    (path / "samples" / "_delta_log" / f"{0:020d}.json").unlink()
    with pytest.raises(StoreError):
        LakeStore(str(path)).series()


def test_what_is_acknowledged_is_forced_to_the_disk(lake, path, monkeypatch):
    """Before a write returns, its data file, its commit and their folders were synced; so are tidy's."""
    synced = []
    monkeypatch.setattr("skidhand.stores.lake_table._sync_path", lambda p: synced.append(str(p)))
    log = path / "samples" / "_delta_log"
    for n in range(1, 4):
        lake.write(batch(n, good("a/x", (n, 1))))
        assert {str(log / f"{n:020d}.json"), str(log), str(path / "samples" / "day=2026-03-01")} <= set(synced)
    assert set(delta(path).file_uris()) <= set(synced)
    list(lake.tidy(now=at(0)))
    assert {*delta(path).file_uris(), str(log / f"{4:020d}.json")} <= set(synced)


def test_what_a_commit_rests_on_is_forced_to_the_disk_before_it(lake, path, monkeypatch):
    """The table's own first commit, and each data file with its folders: no power cut leaves a commit without them."""
    synced, seen, commit = [], [], LakeTable.commit
    monkeypatch.setattr("skidhand.stores.lake_table._sync_path", lambda p: synced.append(str(p)))

    def spied(table, delta, actions, mark, transaction):
        samples = Path(table.uri)
        names = {each.path for each in actions if isinstance(each, AddAction)}
        needed = {samples, samples.parent, samples / "_delta_log" / f"{0:020d}.json"}
        needed |= {place for name in names for place in (samples / name, (samples / name).parent)}
        seen.append((len(names), {str(place) for place in needed} - set(synced)))
        commit(table, delta, actions, mark, transaction)

    monkeypatch.setattr(LakeTable, "commit", spied)
    lake.write(batch(1, good("a/x", (0, 1), (100_000, 2))))
    list(lake.tidy(now=at(200_000)))
    assert [missing for _, missing in seen if missing] == []
    assert sum(files for files, _ in seen) > 4  # two days fresh, sealed, and rolled up


def test_a_folder_that_cannot_be_made_is_a_store_error(tmp_path):
    """A file where the folder should be is told as the store's trouble, not as an OSError."""
    (tmp_path / "taken").write_text("")
    with pytest.raises(StoreError, match="taken"):
        LakeStore(str(tmp_path / "taken")).write(batch(1, good("a/x", (0, 1))))


def test_a_batch_that_another_process_wrote_in_this_moment(lake, path, monkeypatch):
    """Lost the race to the same batch: False. Lost it to another digest: refused. Lost it for else: conflict."""
    lake.write(batch(1, good("a/x", (0, 1))))
    append = lake._table.append

    def race(rows, mark, transaction):
        monkeypatch.setattr(lake._table, "append", append)
        LakeStore(str(path)).write(winner)
        append(rows, mark, transaction)

    winner = batch(2, good("a/x", (1, 2)))
    monkeypatch.setattr(lake._table, "append", race)
    assert lake.write(winner) is False
    winner = batch(3, good("a/x", (2, 3)))
    monkeypatch.setattr(lake._table, "append", race)
    with pytest.raises(WriterMismatchError):
        lake.write(batch(3, good("a/x", (9, 9))))
    winner = batch(4, good("a/x", (3, 4)))
    monkeypatch.setattr(lake._table, "append", race)
    with pytest.raises(StoreConflictError):
        lake.write(batch(5, good("a/x", (4, 5))))
    assert [v for _, _, v in points(read_all(lake))] == [1, 2, 3, 4]
    assert lake.write(batch(5, good("a/x", (4, 5))))


def test_two_processes_fix_the_clock_at_once(lake, path, monkeypatch):
    """Of two that fix it in the same moment one is first and the other agrees or is refused."""
    commit = lake._table.commit

    def race(*arguments):
        LakeStore(str(path)).set_clock("stream")
        commit(*arguments)

    monkeypatch.setattr(lake._table, "commit", race)
    lake.set_clock("stream")
    assert delta(path).transaction_version("skidhand.clock") == 1


def test_a_second_tidy_at_once_steps_back(lake, path, monkeypatch):
    """Of two tidies that merged the same files the second commit is refused; rows stay single."""
    for n in range(4):
        lake.write(batch(n, good("a/x", (n, n))))
    commit = lake._table.commit

    def race(*arguments):
        monkeypatch.setattr(lake._table, "commit", commit)
        list(LakeStore(str(path)).tidy(now=at(0)))
        commit(*arguments)

    monkeypatch.setattr(lake._table, "commit", race)
    assert list(lake.tidy(now=at(0))) == ["2026-03-01: another tidy was first; left as it is"]
    assert delta(path).to_pyarrow_table().num_rows == 4


def test_rows_of_another_program_are_read(lake, path):
    """Rows put in without a mark are read, but not reported; a commit without our mark does no harm."""
    lake.write(batch(1, good("a/x", (0, 1))))
    cursor = lake.changes(None).cursor
    foreign = delta(path).to_pyarrow_table().cast(LAKE_SCHEMA)
    foreign = foreign.set_column(0, LAKE_SCHEMA.field(0), [["a/z"]])
    write_deltalake(
        str(path / "samples"),
        foreign,
        mode="append",
        commit_properties=CommitProperties({"x": json.dumps(1)}, app_transactions=[Transaction("else", 1)]),
    )
    assert points(read_all(lake, ["a/z"])) == [("a/z", 0, 1)]
    assert lake.changes(cursor).spans == {}
    assert lake.series() == ["a/x"]


def test_files_that_nothing_names_are_deleted_when_old(lake, path, monkeypatch):
    """What a killed tidy left behind goes once it is older than everything that is kept; young ones stay."""
    monkeypatch.setattr(lake_tidy, "CARRY_EVERY", 1)
    lake.write(batch(1, good("a/x", (0, 1))))
    folder = path / "samples" / "day=2026-03-01"
    old, young = folder / "settled-old.parquet", folder / "settled-young.parquet"
    for orphan in (old, young):
        orphan.write_bytes(b"half a file")
    then = time.time() - (KEPT + timedelta(days=1)).total_seconds()
    os.utime(old, (then, then))
    assert list(lake.tidy(now=at(0)))[-1] == "log: 1 data files deleted that nothing needs"
    assert not old.exists()
    assert young.exists()
    assert points(read_all(lake)) == [("a/x", 0, 1)]
