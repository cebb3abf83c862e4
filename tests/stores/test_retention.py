"""Raw rows, minutes and hours go when they reach their ages, and the coarser ones still tell what was."""

from __future__ import annotations

from pathlib import Path

import pytest
from deltalake import DeltaTable

from skidhand.errors import FleetFileError, StoreError
from skidhand.fleet import parse_fleet
from skidhand.stores.base import Ages
from skidhand.stores.lake import LakeStore
from skidhand.stores.retention import ages
from tests.fleet.sample import SAMPLE
from tests.stores.support import LONG_AGO, MEMBERS, at, batch, good, points, read_all

DAY = 86_400
KEEP = {"a/short": Ages(raw=2, minutes=4, hours=6), "a/long": Ages(raw=10)}
SERIES = ["a/kept", "a/long", "a/short"]


@pytest.fixture
def lake(tmp_path):
    """A lake with one day of three series."""
    store = LakeStore(str(tmp_path / "lake"))
    store.write(batch(1, [row for s in SERIES for row in good(s, (0, 1), (30, 3), (3700, 5))]))
    return store


def tidy(store, days):
    """Tidy ``days`` days after the first sample."""
    return list(store.tidy(now=at(days * DAY), keep=KEEP))


def told(store, width):
    """(series, sum) of each bucket of any time."""
    got = store.read_buckets(SERIES, LONG_AGO, at(30 * DAY), width, policy="good")
    return [(row["series"], row["sum"]) for row in got.to_pylist()]


def test_each_resolution_goes_at_its_age(lake):
    """Of one series raw goes first, then minutes, then hours; what is left answers as before."""
    tidy(lake, 1.9)
    minutes, hours = told(lake, 60), told(lake, 3600)
    assert len(points(read_all(lake, ["a/short"]))) == 3
    assert tidy(lake, 3) == ["2026-03-01: 3 raw rows of 1 series were past their age"]
    assert points(read_all(lake, ["a/short"])) == []
    assert len(points(read_all(lake, SERIES))) == 6
    assert (told(lake, 60), told(lake, 3600)) == (minutes, hours)
    assert (told(LakeStore(lake.path), 60), told(LakeStore(lake.path), 3600)) == (minutes, hours)
    assert tidy(lake, 3) == []
    assert tidy(lake, 5) == ["rollups of 60 s from 2026-03-01 on: 2 were past their age"]
    assert told(lake, 60) == [row for row in minutes if row[0] != "a/short"]
    assert told(lake, 3600) == hours
    tidy(lake, 7)
    assert told(lake, 3600) == [row for row in hours if row[0] != "a/short"]
    tidy(lake, 12)
    assert points(read_all(lake, ["a/long"])) == []
    assert told(lake, 60) == [row for row in minutes if row[0] != "a/short"]


def test_late_rows_do_not_undo_what_rollups_alone_still_tell(lake):
    """Rows that come for a day after its raw rows are gone: other series take them in, that one keeps its figures."""
    tidy(lake, 3)
    lake.write(batch(2, good("a/short", (60, 100)) + good("a/long", (60, 100))))
    expected = [("a/kept", 9.0), ("a/long", 109.0), ("a/short", 9.0)]
    assert told(lake, 86_400) == expected
    tidy(lake, 3)
    assert told(lake, 86_400) == told(LakeStore(lake.path), 86_400) == expected
    assert points(read_all(lake, ["a/short"])) == []
    assert tidy(lake, 3) == []


@pytest.mark.parametrize("stop_at", range(8))
def test_killed_at_any_commit(lake, monkeypatch, stop_at):
    """Stopped just before or after any commit of a tidy, the next one ends where one go would have ended."""
    whole = LakeStore(f"{lake.path}-whole")
    whole.write(batch(1, [row for s in SERIES for row in good(s, (0, 1), (30, 3), (3700, 5))]))
    tidy(whole, 5)
    done = 0

    def stopping(commit):
        def stop(*arguments):
            nonlocal done
            if 2 * done == stop_at:
                raise KeyboardInterrupt
            commit(*arguments)
            if 2 * done + 1 == stop_at:
                raise KeyboardInterrupt
            done += 1

        return stop

    with monkeypatch.context() as killed:
        for table in (lake._table, lake._rollups.table):
            killed.setattr(table, "commit", stopping(table.commit))
        with pytest.raises(KeyboardInterrupt):
            tidy(lake, 5)
    again = LakeStore(lake.path)
    tidy(again, 5)
    for width in (60, 3600):
        assert told(again, width) == told(whole, width)
    assert read_all(again, SERIES).equals(read_all(whole, SERIES))
    assert tidy(again, 5) == []


def test_a_day_that_nothing_is_left_of_has_no_file(tmp_path):
    """Files whose rows all went are gone from the tables."""
    lake = LakeStore(str(tmp_path))
    lake.write(batch(1, good("a/short", (0, 1))))
    tidy(lake, 20)
    for table in ("samples", "rollups"):
        assert DeltaTable(f"{tmp_path}/{table}").file_uris() == []
    assert lake.series() == ["a/short"]


@pytest.mark.parametrize("name", sorted(MEMBERS))
def test_a_store_retains_or_says_that_it_cannot(name, tmp_path: Path):
    """A store that lacks retention refuses ages with its reason, rather than keeping all in silence."""
    store = MEMBERS[name](tmp_path).open()
    if "retention" in store.lacks:
        with pytest.raises(StoreError, match="retention: "):
            list(store.tidy(now=at(0), keep=KEEP))
    else:
        list(store.tidy(now=at(0), keep=KEEP))


def test_ages_come_from_the_fleet_file():
    """An instrument's class, or else the class default, gives its ages; without either it is kept for ever."""
    text = SAMPLE + "\nretention:\n  default: {raw: 400}\n"
    fleet = parse_fleet(text).fleet
    found = ages(fleet)
    assert set(found.values()) == {Ages(raw=400)}
    assert len(found) == sum(len(room.instruments) for room in (*fleet.sites, *fleet.skids))
    assert ages(parse_fleet(SAMPLE).fleet) == {}


@pytest.mark.parametrize(
    ("block", "told_"),
    [
        ("default: {raw: 0}", "greater than 0"),
        ("default: {minutes: 5}", "raw <= minutes <= hours"),
        ("d: {days: 1}", "days"),
    ],
)
def test_ages_that_make_no_sense_are_refused(block, told_):
    """Zero days, raw rows that outlive their rollups, and unknown words are errors of the file."""
    with pytest.raises(FleetFileError, match=told_):
        parse_fleet(SAMPLE + f"\nretention:\n  {block}\n")
