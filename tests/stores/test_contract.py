"""What every store promises about samples: order, reads, exactly once, bad input."""

from __future__ import annotations

import inspect
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta

import numpy as np
import pyarrow as pa
import pytest

from skidhand.errors import ClockMismatchError, WriterMismatchError
from skidhand.model.samples import SAMPLES
from skidhand.stores import base
from skidhand.stores.base import Batch, Landed
from tests.stores.support import BAD, START, UNCERTAIN, at, batch, good, points, read_all, us


def test_it_is_a_store(store):
    """A member has every method of the protocol with the same signature, and a scheme and lacks."""
    assert isinstance(store, base.Store)
    for name, method in inspect.getmembers(base.Store, inspect.isfunction):
        if not name.startswith("_"):
            expected = inspect.signature(method)
            assert inspect.signature(getattr(type(store), name)) == expected, name


def test_gaps_are_declared_with_a_reason(store):
    """What a store cannot do is one of the known abilities, with a reason in words."""
    assert set(store.lacks) <= {"as_of", "changes", "retention", "verify"}
    assert all(len(reason.split()) >= 3 for reason in store.lacks.values())


def test_an_empty_store_answers(store):
    """Before the first write everything is empty, in the right shape, and nothing fails."""
    assert store.series() == []
    assert store.landed("w") is None
    assert store.read(["a/x"], START, at(60)).equals(SAMPLES.empty_table())
    assert store.read([], START, at(60)).equals(SAMPLES.empty_table())
    assert store.latest(["a/x"]).equals(SAMPLES.empty_table())
    assert store.read_buckets(["a/x"], START, at(60), 60).num_rows == 0
    assert list(store.tidy(now=START)) == list(store.tidy(now=START))
    assert isinstance(store.version(), str)


def test_what_was_written_is_read(member, store):
    """Samples come back sorted by (series, time) with the bits they had, also through another handle."""
    rows = [("b/y", 2, 2.5, 0, 3), ("a/x", 1, None, BAD, 3), ("b/y", 1.000001, -0.0, UNCERTAIN, 3)]
    assert store.write(batch(1, rows)) is True
    expected = batch(1, [rows[1], rows[2], rows[0]]).samples
    assert read_all(store).equals(expected)
    assert read_all(member.open()).equals(expected)
    assert store.series() == ["a/x", "b/y"]


def test_values_keep_their_bits(store):
    """Extremes, denormals, infinities and signed zero come back with the bits they had."""
    values = [0.0, -0.0, 5e-324, 1.7976931348623157e308, float("inf"), 0.1 + 0.2, -1 / 3]
    store.write(batch(1, good("a/x", *enumerate(values))))
    assert [v.hex() for _, _, v in points(read_all(store))] == [v.hex() for v in values]


def test_a_read_is_half_open_and_only_of_what_was_asked(store):
    """The start is in, the end is not, and other series stay out; unknown ones are simply absent."""
    store.write(batch(1, good("a/x", (0, 1), (10, 2), (20, 3)) + good("a/y", (10, 9))))
    assert points(store.read(["a/x", "a/none"], at(0), at(20))) == [("a/x", 0, 1), ("a/x", 10, 2)]
    assert points(store.read(["a/x"], at(10), at(10))) == []
    assert points(store.read(["a/x"], at(9.999999), at(10.000001))) == [("a/x", 10, 2)]
    assert points(store.read(["a/x"], at(20), at(5))) == []


@pytest.mark.parametrize("call", ["read", "read_buckets"])
def test_a_time_without_a_zone_is_refused(store, call):
    """A naive datetime would be read in some zone by chance."""
    extra = (60,) if call == "read_buckets" else ()
    with pytest.raises(ValueError, match="time zone"):
        getattr(store, call)(["a/x"], datetime(2026, 3, 1), at(5), *extra)  # noqa: DTZ001


def test_an_unknown_policy_is_refused(store):
    """A misspelt policy must not silently take everything."""
    store.write(batch(1, good("a/x", (0, 1))))
    with pytest.raises(ValueError, match="valid: good, usable, all"):
        read_all(store, policy="best")


def test_of_one_key_the_later_received_wins(store):
    """A row received later replaces an earlier one, whichever batch came first."""
    store.write(batch(1, [("a/x", 0, 1.0, 0, 100)]))
    store.write(batch(2, [("a/x", 0, 2.0, 0, 50), ("a/x", 5, 5.0, 0, 50)]))
    assert points(read_all(store)) == [("a/x", 0, 1.0), ("a/x", 5, 5.0)]
    store.write(batch(3, [("a/x", 0, 3.0, 0, 101)]))
    assert points(read_all(store)) == [("a/x", 0, 3.0), ("a/x", 5, 5.0)]


def test_received_at_once_then_writer_batch_and_row_decide(store):
    """Ties fall to the higher writer, then the higher batch, then the later row."""
    store.write(batch(7, [("a/x", 0, 1.0, 0, 9), ("a/x", 0, 2.0, 0, 9)], writer="b"))
    assert points(read_all(store)) == [("a/x", 0, 2.0)]
    store.write(batch(9, [("a/x", 0, 3.0, 0, 9)], writer="a"))
    assert points(read_all(store)) == [("a/x", 0, 2.0)]
    store.write(batch(8, [("a/x", 0, 4.0, 0, 9)], writer="b"))
    assert points(read_all(store)) == [("a/x", 0, 4.0)]
    store.write(batch(10, [("a/x", 0, 5.0, 0, 10), ("a/x", 0, 6.0, 0, 8)], writer="0"))
    assert points(read_all(store)) == [("a/x", 0, 5.0)]


def test_late_samples_take_their_place_in_source_time(store):
    """Samples that come days late are read between their neighbours."""
    store.write(batch(1, good("a/x", (0, 1), (86_400, 3))))
    store.write(batch(2, [("a/x", 600, 2.0, 0, 90_000), ("a/x", -40 * 86_400, 0.5, 0, 90_000)]))
    assert [v for _, _, v in points(read_all(store))] == [0.5, 1, 2, 3]


def test_policies_apply_to_what_won(store):
    """A Bad correction hides the Good sample before it: no policy brings that one back."""
    qualities = [0, UNCERTAIN, BAD, 0xC0000000, 0x3FFFFFFF]
    store.write(batch(1, [("a/x", i, float(i), q, 1) for i, q in enumerate(qualities)]))
    assert [v for _, _, v in points(read_all(store, policy="all"))] == [0, 1, 2, 3, 4]
    assert [v for _, _, v in points(read_all(store, policy="usable"))] == [0, 1, 4]
    assert [v for _, _, v in points(read_all(store, policy="good"))] == [0, 4]
    store.write(batch(2, [("a/x", 0, None, BAD, 2)]))
    assert [v for _, _, v in points(read_all(store, policy="good"))] == [4]


def test_latest_is_by_source_time_and_policy(store):
    """Of each series the newest in source time, also when it stands days back or older data came last."""
    store.write(batch(1, good("a/x", (0, 1), (200_000, 2)) + good("a/old", (-900_000, 7))))
    store.write(batch(2, [("a/x", 100, 3.0, 0, 300_000), ("a/b", 5, 1.0, 0, 6), ("a/b", 300_000, None, BAD, 7)]))
    wanted = ["a/x", "a/old", "a/b", "a/none", "a/x"]
    assert points(store.latest(wanted)) == [("a/b", 300_000, None), ("a/old", -900_000, 7), ("a/x", 200_000, 2)]
    assert points(store.latest(["a/b"], policy="usable")) == [("a/b", 5, 1)]
    store.write(batch(3, [("a/only", 0, None, BAD, 1)]))
    assert points(store.latest(["a/only"], policy="good")) == []


HOSTILE = [
    "a/b/c//d",
    "a/'; DROP TABLE samples; --",
    'a/"quoted" and \\back\\slash',
    "a/new\nline\ttab\r",
    "a/=1+cmd|'/C calc'!A0",
    "a/%41%2f..%2f..",
    "a/../../etc",
    "a/ñ漢字🛢\u202e",
    "a/e\u0301",
    "a/é",
    "a/day=2026-03-01",
    "a/" + "long" * 100,
    "no-slash",
    "",
    " a/x ",
    "A/X",
    "a/x",
]


def test_hostile_ids_are_only_names(store):
    """Ids that look like paths, SQL or formulas are kept apart and come back as they were."""
    store.write(batch(1, [row for i, s in enumerate(HOSTILE) for row in good(s, (0, i), (90_000, i + 0.5))]))
    list(store.tidy(now=at(400_000)))
    assert store.series() == sorted(HOSTILE)
    for i, series in enumerate(HOSTILE):
        assert points(read_all(store, [series])) == [(series, 0, i), (series, 90_000, i + 0.5)]
        assert points(store.latest([series])) == [(series, 90_000, i + 0.5)]
        assert store.read_buckets([series], at(0), at(60), 60)["series"].to_pylist() == [series]
    assert store.changes(None).spans.keys() == set(HOSTILE)


def test_far_times_are_kept(store):
    """The epoch, times before it and the next century are read like any other."""
    far = [-us(0) / 1e6, -us(0) / 1e6 - 86_400 * 400 - 0.5, 86_400 * 36_000]
    store.write(batch(1, [("a/x", t, float(i), 0, 0) for i, t in enumerate(far)]))
    start = at(min(far))
    assert [v for _, _, v in points(store.read(["a/x"], start, at(max(far) + 1)))] == [1, 0, 2]


def test_the_same_batch_lands_once(member, store):
    """A batch sent again (a crash before the spool cleared it) is skipped, by any handle."""
    first, second = batch(1, good("a/x", (0, 1))), batch(2, good("a/x", (1, 2)))
    assert store.write(first)
    assert store.write(second)
    again = member.open()
    assert again.landed("w") == Landed(2, second.digest)
    assert again.write(second) is False
    assert store.write(first) is False
    assert again.write(batch(5, good("a/x", (2, 3)))) is True, "a gap in the numbers is no matter"
    assert points(read_all(store)) == [("a/x", 0, 1), ("a/x", 1, 2), ("a/x", 2, 3)]
    assert store.landed("other") is None


@pytest.mark.parametrize("number", [1, 2])
def test_another_batch_of_a_landed_number_is_refused(store, number):
    """Two spools with one writer id would lose rows, so the second is told, and nothing changes."""
    store.write(batch(1, good("a/x", (0, 1))))
    store.write(batch(2, good("a/x", (1, 2))))
    with pytest.raises(WriterMismatchError, match="writer w: batch"):
        store.write(batch(number, good("a/x", (9, 9))))
    assert points(read_all(store)) == [("a/x", 0, 1), ("a/x", 1, 2)]
    assert store.write(batch(3, good("a/x", (2, 3))))


def test_writers_count_apart(store):
    """Each writer has its own numbers; the same number of another writer is another batch."""
    assert store.write(batch(4, good("a/x", (0, 1)), writer="one"))
    assert store.write(batch(4, good("a/y", (0, 2)), writer="two"))
    assert store.write(batch(1, good("a/z", (0, 3)), writer="'; --"))
    assert {w: store.landed(w).number for w in ("one", "two", "'; --")} == {"one": 4, "two": 4, "'; --": 1}
    assert len(read_all(store)) == 3


def test_threads_share_a_handle(store):
    """Two threads write while two read and one tidies through one handle: all lands, reads never go back."""

    def write(writer):
        for n in range(15):
            store.write(batch(n, good(f"a/{writer}", (n, n), (n + 90_000, n)), writer=writer))

    def read(writer):
        seen = 0
        while seen < 30:
            now = len(read_all(store, [f"a/{writer}"]))
            assert now >= seen
            assert now % 2 == 0, "half a batch was seen"
            assert len(store.latest([f"a/{writer}"])) == 1 or now == 0
            seen = now
            list(store.tidy(now=at(0)))

    with ThreadPoolExecutor(4) as pool:
        for job in [pool.submit(work, writer) for work in (write, read) for writer in "uv"]:
            job.result(timeout=60)
    assert len(read_all(store)) == 60


def test_an_empty_batch_lands(member, store):
    """A batch without rows still moves the writer's number on."""
    assert store.write(batch(1, []))
    assert member.open().landed("w") == Landed(1, batch(1, []).digest)
    assert store.write(batch(1, [])) is False
    assert store.series() == []


def test_a_table_of_another_shape_is_refused_and_changes_nothing(store):
    """A batch that lacks a column or has text for a value never lands in part."""
    store.write(batch(1, good("a/x", (0, 1))))
    whole = batch(2, good("a/x", (1, 2))).samples
    words = whole.set_column(2, "value", pa.array(["much"]))
    for wrong in (whole.drop(["quality"]), words):
        with pytest.raises((KeyError, pa.ArrowInvalid)):
            store.write(Batch("w", 2, "d", wrong))
    assert points(read_all(store)) == [("a/x", 0, 1)]
    assert store.landed("w").number == 1


def test_a_huge_batch(store):
    """Very many rows in one batch, shuffled, over days and 50 series: all there, sorted, once."""
    each = 1200 if store.scheme == "influx" else 6000  # every row goes over HTTP as text, twice read
    names = np.array(sorted(f"skid-{k % 5}/FT-{k}" for k in range(50)))
    time = np.tile(us(0) + np.arange(each) * 43_200_000, 50)
    columns = [
        np.repeat(names, each),
        time,
        np.arange(50.0 * each),
        np.zeros(50 * each, "int64"),
        time // 1_000_000 * 1_000_000,
    ]
    rows = pa.table([pa.array(c).cast(f.type) for c, f in zip(columns, SAMPLES, strict=True)], schema=SAMPLES)
    shuffled = rows.take(pa.array(np.random.default_rng(7).permutation(50 * each)))
    assert store.write(Batch("w", 1, "d", shuffled))
    for now in (START, START + timedelta(days=9)):
        list(store.tidy(now=now))
        assert read_all(store).equals(rows)
        one = store.read([str(names[7])], at(43.2 * 1000), at(43.2 * 1010))
        assert one["value"].to_pylist() == [7 * each + 1000.0 + k for k in range(10)]


def test_the_clock_is_fixed_for_life(member, store):
    """The first kind stands, for every handle and whatever was written; the other is refused."""
    store.set_clock("stream")
    store.set_clock("stream")
    store.write(batch(1, good("a/x", (0, 1))))
    other = member.open()
    other.set_clock("stream")
    for handle in (store, other):
        with pytest.raises(ClockMismatchError, match="runs on the stream clock, not wall"):
            handle.set_clock("wall")


def test_an_unknown_clock_is_refused(store):
    """A misspelt kind must not become the store's clock."""
    with pytest.raises(ValueError, match="valid: wall, stream"):
        store.set_clock("sidereal")


def test_tidy_changes_no_answer(member, store):
    """Reads, buckets, changes, series and landed batches are the same before and after, and a second time."""
    cursor = store.changes(None).cursor
    for n in range(6):
        rows = [(f"a/{k}", n * 20_000 + 7 * k, float(n + k), 0, n * 20_000 + 9) for k in range(3)]
        store.write(batch(n, [*rows, ("a/0", 5, -float(n), 0, n)]))

    def answers(handle):
        return (
            read_all(handle).to_pylist(),
            handle.read_buckets(handle.series(), at(0), at(120_000), 3600).to_pylist(),
            handle.latest(handle.series()).to_pylist(),
            handle.changes(cursor).spans if "changes" not in handle.lacks else None,
            handle.landed("w"),
        )

    before = answers(store)
    for now in (at(50_000), at(1_000_000), at(1_000_000)):
        list(store.tidy(now=now))
        assert answers(store) == before
        assert answers(member.open()) == before
