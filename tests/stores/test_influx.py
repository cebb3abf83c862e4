"""What the influx store builds its promises on: crashes, slots, hidden rows, two processes, a server that is away."""

from __future__ import annotations

import json
import random
import threading

import numpy as np
import pytest

from skidhand.errors import ClockMismatchError, IntegrityError, StoreConflictError, StoreError
from skidhand.stores import open_store
from skidhand.stores.base import Landed
from skidhand.stores.influx_lines import any_of
from skidhand.stores.influx_read import TRIES, read_rows
from tests.stores.spool_process import SERIES, SpoolProcess, rows_of, write
from tests.stores.support import BAD, at, batch, good, influx_member, points, read_all, us
from tests.support import influx


@pytest.fixture
def member(tmp_path):
    """A new bucket; ``member.open()`` gives handles to it."""
    return influx_member(tmp_path)


@pytest.fixture
def store(member):
    """A handle to an empty bucket."""
    handle = member.open()
    yield handle
    handle.close()


def lying(store) -> int:
    """How many sample points lie in the bucket, whoever sees them."""
    counts = store._server.query(['SELECT count("batch") FROM "skidhand_samples"'])
    return sum(part.values[0][1] for part in counts)


def crash_before_landing(store, cut_off, *, after: int | None = None) -> None:
    """Write the first ``after`` sample points of a batch (None: all), and end there as a killed process would."""

    def write(lines):
        if lines and lines[0].startswith("skidhand_ledger"):
            raise StoreError("cut off")
        whole(lines[:after])
        if after is not None:
            raise StoreError("cut off")

    whole, store._server.write = store._server.write, write
    with pytest.raises(StoreError, match="cut off"):
        store.write(cut_off)
    del store._server.write


def test_a_batch_without_its_ledger_point_is_not_there(member, store):
    """Killed between samples and ledger: nobody sees the rows; sent again they land, and no point is doubled."""
    store.write(batch(1, good("a/x", (0, 1))))
    second = batch(2, good("a/x", (1, 2), (2, 3)))
    cursor = store.changes(None).cursor
    crash_before_landing(store, second)
    assert lying(store) == 3
    for handle in (store, member.open()):
        assert points(read_all(handle)) == [("a/x", 0, 1)]
        assert points(handle.latest(["a/x"])) == [("a/x", 0, 1)]
        assert handle.changes(cursor).spans == {}
        assert handle.landed("w").number == 1
    assert member.open().write(second)
    assert points(read_all(store)) == [("a/x", 0, 1), ("a/x", 1, 2), ("a/x", 2, 3)]
    assert lying(store) == 3
    assert store.write(second) is False


@pytest.mark.parametrize("same_handle", [True, False])
def test_a_cut_off_batch_may_come_again_in_a_larger_one(member, store, same_handle):
    """A spool makes larger batches when the store was away: the newer row of a key replaces what was left over."""
    store.write(batch(1, [("a/x", 0, 1.0, 0, 1)]))
    crash_before_landing(store, batch(2, [("a/x", 0, 2.0, 0, 2), ("a/x", 5, None, BAD, 2)]))
    rows = [("a/x", 0, 2.0, 0, 2), ("a/x", 5, None, BAD, 2), ("a/x", 5, 5.0, 0, 3), ("a/x", 6, 6.0, 0, 3)]
    (store if same_handle else member.open()).write(batch(4, rows))
    assert points(read_all(store)) == [("a/x", 0, 2), ("a/x", 5, 5), ("a/x", 6, 6)]


@pytest.mark.parametrize("seed", range(4))
def test_two_spools_that_are_cut_off_at_random(member, seed):
    """After every cut-off and restart, with batches made anew each time, exactly what landed is read.

    Few keys, so that slots are taken again and again. The model knows neither batches nor slots: of each key the
    row that is last in (received, writer, place in the spool) counts.
    """
    rng = random.Random(seed)
    spools = {"u": [], "v": []}
    landed = dict.fromkeys(spools, 0)
    handles = {writer: member.open() for writer in spools}
    for _ in range(40):
        writer = rng.choice("uv")
        spool, done = spools[writer], landed[writer]
        for _ in range(rng.randrange(4)):
            value = rng.choice([None, float("inf"), -0.0, rng.random()])
            spool.append((rng.choice(["a/x", "a/y"]), rng.choice([0, 5, 9000]), value, 0, rng.randrange(8)))
        until = min(len(spool), done + rng.randrange(1, 7))
        if until == done:
            continue
        new = batch(until, spool[done:until], writer=writer)
        fate = rng.choice(["lands", "lands", "cut off", "cut off and restarted"])
        if fate == "lands":
            assert handles[writer].write(new)
            landed[writer] = until
        else:
            crash_before_landing(handles[writer], new, after=rng.choice([None, 0, 1, 2]))
        if fate == "cut off and restarted":
            handles[writer].close()
            handles[writer] = member.open()
        won = {}
        for name, rows in spools.items():
            for place, (series, time, value, _, received) in enumerate(rows[: landed[name]]):
                won[series, time] = max(won.get((series, time), ()), (received, name, place, repr(value)))
        seen = {(series, time): repr(value) for series, time, value in points(read_all(handles["u"]))}
        assert seen == {key: row[-1] for key, row in won.items()}
    assert lying(handles["u"]) <= 2 * 2 * 6, "two points a key and writer"
    for handle in handles.values():
        handle.close()


def test_what_is_readable_stays_so_while_its_correction_comes(store):
    """However often a key was corrected, the last that landed is read until the next has landed too."""
    values = [1.0, None, 3.0, float("inf"), -0.0, None, 7.0]
    for number, value in enumerate(values):
        if number:
            crash_before_landing(store, batch(number, [("a/x", 0, value, 0, number)]))
            assert points(read_all(store)) == [("a/x", 0, values[number - 1])]
        store.write(batch(number, [("a/x", 0, value, 0, number)]))
        assert repr(points(read_all(store))) == repr([("a/x", 0.0, value)])
    assert lying(store) == 2


def test_a_clock_that_stands_still_costs_no_more_than_two_points(store):
    """A device that gives all its samples one time makes neither points nor series of the engine without end."""
    for number in range(30):
        store.write(batch(number, [("a/x", 0, float(number), 0, number % 7)]))
    assert points(read_all(store)) == [("a/x", 0, 27)]
    assert lying(store) <= 2
    series = store._server.query(['SELECT last("batch") FROM "skidhand_samples" GROUP BY *'])
    assert len(list(series)) <= 2


def test_a_key_is_read_once_while_it_is_corrected(member):
    """A reader beside a writer that corrects one key over and over sees it each time, and never an older one."""
    writer, reader = member.open(), member.open()
    writer.write(batch(0, [("a/x", 0, 0.0, 0, 0)]))
    done = threading.Event()

    def correct():
        for number in range(1, 80):
            writer.write(batch(number, [("a/x", 0, float(number), 0, number)]))
        done.set()

    thread = threading.Thread(target=correct)
    thread.start()
    seen = 0.0
    try:
        while not done.is_set():
            ((_, _, value),) = points(read_all(reader, ["a/x"]))
            assert value >= seen
            seen = value
    finally:
        thread.join(timeout=60)
    assert points(read_all(reader)) == [("a/x", 0, 79)]


def test_a_look_at_the_ledger_that_is_too_old_is_taken_again(store):
    """When both points of a key were replaced since the look, the look is renewed; without end it is an error."""
    for number in range(3):
        store.write(batch(number, [("a/x", 0, float(number), 0, number)]))
    old, new = {"w": Landed(0, "")}, {"w": Landed(2, "")}
    looks = iter([old, new])
    rows = read_rows(store._server, any_of(["a/x"]), lambda: next(looks))
    assert sorted(rows["value"].to_pylist()) == [1, 2]
    assert next(looks, None) is None
    tries = []
    with pytest.raises(StoreConflictError, match="changed faster"):
        read_rows(store._server, any_of(["a/x"]), lambda: tries.append(1) or old)
    assert len(tries) == TRIES


def test_random_numbers_keep_their_bits(store):
    """Two thousand random finite doubles come back through text and JSON with the bits they had."""
    bits = np.random.default_rng(5).integers(0, 2**63, 4000, dtype=np.uint64) * np.uint64(2)
    values = [v for v in bits.view(np.float64).tolist() if np.isfinite(v)][:2000]
    store.write(batch(1, good("a/x", *enumerate(values))))
    assert [v.hex() for _, _, v in points(read_all(store))] == [v.hex() for v in values]


def test_what_lies_there_is_plain_influx(store):
    """Another program finds value, quality and receive time as fields at the source time, in microseconds."""
    store.write(batch(1, [("a/x", 1.000001, 2.5, 0, 3)]))
    server = influx.shared() if not influx.elsewhere() else pytest.skip("asks the server of this test run directly")
    answer = json.loads(server.ask('SELECT "value", "quality", "received" FROM "skidhand_samples"', bucket(store)))
    assert answer["results"][0]["series"][0]["values"] == [[us(1.000001) * 1000, 2.5, 0, us(3)]]


def bucket(store) -> str:
    """The name of the store's bucket."""
    return store._server.address.bucket


@pytest.mark.parametrize("year", [1600, 3000])
def test_a_time_that_the_engine_cannot_hold_is_refused_whole(store, year):
    """Nothing of such a batch is written, and the error says which batch and which years are possible."""
    rows = [*good("a/x", (0, 1)), ("a/x", (year - 2026) * 365.25 * 86_400, 1.0, 0, 1)]
    with pytest.raises(IntegrityError, match="batch 1 has a time outside 1677 to 2262"):
        store.write(batch(1, rows))
    assert store.landed("w") is None
    assert lying(store) == 0


def test_two_kinds_of_clock_at_once_are_both_refused(store):
    """Two processes that fix different clocks in one moment are told so, whoever looks."""
    store._server.write(["skidhand_clock,kind=wall set=1i 0", "skidhand_clock,kind=stream set=1i 0"])
    for kind in ("wall", "stream"):
        with pytest.raises(ClockMismatchError, match="stream and the wall"):
            store.set_clock(kind)


def test_processes_write_at_once_and_one_is_killed(member, store):
    """Two processes, one killed in the middle and started again: every sample once, each with its value."""
    url = influx.new_url()
    with SpoolProcess(write, url, "a", 20) as one:
        with SpoolProcess(write, url, "b", 20) as other:
            while (said := other.hear()) != "acknowledged 7":
                assert said, "it ended by itself"
            other.kill()
        with SpoolProcess(write, url, "b", 20) as again:
            again.finish()
        one.finish()
    audited = open_store(url)
    expected = [row[:3] for w in "ab" for number in range(1, 21) for row in rows_of(w, number)]
    assert points(read_all(audited)) == sorted(expected)
    assert lying(audited) == len(expected) == 2 * 20 * SERIES
    audited.close()


def test_a_server_that_is_away_comes_back_with_everything(tmp_path):
    """Away is a StoreError at once; what was written before a kill -9 is there after it, and writing goes on."""
    server = influx.Influx(tmp_path / "server")
    server.start()
    try:
        store = open_store(server.new_url("b"))
        assert store.write(batch(1, good("a/x", (0, 1))))
        server.kill()
        second = batch(2, good("a/x", (1, 2)))
        for call in (lambda: store.write(second), lambda: store.latest(["a/x"]), store.series, store.version):
            with pytest.raises(StoreError, match="cannot query influx store http://127"):
                call()
        server.start()
        assert store.write(second)
        assert store.write(batch(3, [("a/x", 2, 3.0, 0, 3)]))
        assert points(store.read(["a/x"], at(0), at(9))) == [("a/x", 0, 1), ("a/x", 1, 2), ("a/x", 2, 3)]
        store.close()
    finally:
        server.stop()
