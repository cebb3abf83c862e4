"""From spool to store exactly once, whatever fails between."""

import contextlib
import random
import threading

import pytest

from ingest.backoff import Backoff
from ingest.drain import Drain
from ingest.spool import Spool
from skidhand.errors import ClockMismatchError, LogbookError, StoreError, StoreRefusedError, WriterMismatchError
from skidhand.model.samples import SAMPLES, moment
from skidhand.stores import open_store
from skidhand.stores.memory import MemoryStore
from tests.ingest.support import NOON_US, samples, stored_numbers


class Cut(BaseException):
    """The process ends here."""


class Shaky:
    """A store that fails before or after a commit, as told; everything else is the store's own."""

    def __init__(self, store):
        self._store = store
        self.before: BaseException | None = None
        self.after: BaseException | None = None
        self.batches: list[int] = []

    def __getattr__(self, name):
        return getattr(self._store, name)

    def write(self, batch):
        """As the store's, with the failures that were ordered."""
        if self.before is not None:
            raise self.before
        landed = self._store.write(batch)
        self.batches.append(len(batch.samples))
        if self.after is not None:
            raise self.after
        return landed


@pytest.fixture(params=["memory", "lake"])
def store(request, tmp_path):
    """Each store at hand."""
    opened = open_store("memory://" if request.param == "memory" else str(tmp_path / "lake"))
    yield Shaky(opened)
    opened.close()


@pytest.fixture
def spool(tmp_path):
    """A new spool."""
    with Spool(tmp_path / "spool.db") as opened:
        yield opened


def drain_of(spool, store, announced=None, kind="wall", **more):
    """A drain that notes announced times in ``announced``."""
    return Drain(
        spool=spool, store=store, clock_kind=kind, announce=(announced if announced is not None else []).append, **more
    )


def physical_rows(store):
    """All rows as they lie in the store, before any reader removes duplicates."""
    inner = store._store
    if isinstance(inner, MemoryStore):
        return sum(len(commit.rows) for commit in inner._commits)
    return inner._table.current().to_pyarrow_table().num_rows


def test_rows_are_merged_into_one_commit(spool, store):
    """Many small rows become one batch under the last one's number and digest."""
    for n in range(5):
        spool.append(samples(n))
    last = spool.waiting(100)[-1]
    drain = drain_of(spool, store)
    assert drain.step() is False
    assert store.batches == [5]
    assert (store.landed(spool.writer).number, store.landed(spool.writer).digest) == (last.number, last.digest)
    assert stored_numbers(store) == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert spool.depth().rows == 0
    assert drain.idle()


def test_much_is_brought_in_several_commits(spool, store):
    """No commit exceeds the limit, and the drain says that more waits."""
    for n in range(4):
        spool.append(samples(*range(10 * n, 10 * n + 10)))
    drain = drain_of(spool, store, max_samples=20)
    assert [drain.step(), drain.step()] == [True, False]
    assert store.batches == [20, 20]


def test_a_cut_between_commit_and_removal_doubles_nothing(spool, store):
    """The next start asks the store, and forgets what it holds."""
    spool.append(samples(1))
    store.after = Cut()
    with pytest.raises(Cut):
        drain_of(spool, store).step()
    store.after = None
    spool.append(samples(2))
    drain_of(spool, store).step()
    assert stored_numbers(store) == [1.0, 2.0]
    assert physical_rows(store) == 2


def test_a_commit_that_failed_late_is_not_repeated_under_a_higher_number(spool, store):
    """When a store fails after it committed, rows that came since must not carry the old ones along."""
    drain = drain_of(spool, store)
    spool.append(samples(1))
    store.after = StoreError("the answer was lost")
    with pytest.raises(StoreError):
        drain.step()
    store.after = None
    spool.append(samples(2))
    drain.step()
    assert stored_numbers(store) == [1.0, 2.0]
    assert physical_rows(store) == 2


@pytest.mark.parametrize("seed", range(6))
def test_any_order_of_failures_stores_all_once(spool, store, seed):
    """Random cuts and failures, before and after commits, with restarts: nothing lost, nothing doubled."""
    pick = random.Random(seed)
    drain, sent = drain_of(spool, store), 0
    for _ in range(30):
        for _ in range(pick.randrange(3)):
            spool.append(samples(sent))
            sent += 1
        faults = [None, None, Cut(), StoreError("away")]
        store.before, store.after = pick.choice(faults), pick.choice(faults)
        try:
            drain.step()
        except StoreError:
            pass
        except Cut:
            drain = drain_of(spool, store)
    store.before = store.after = None
    drain.step()
    assert stored_numbers(store) == [float(n) for n in range(sent)]
    assert physical_rows(store) == sent


def test_a_store_that_is_away_is_waited_for(spool):
    """The drain goes on by itself once the store is back, and says meanwhile what is wrong."""
    store = Shaky(open_store("memory://"))
    store.before = StoreError("no such host")
    spool.append(samples(1))
    drain = drain_of(spool, store, interval_s=0.01, backoff=Backoff(0.01, 0.02))
    stop = threading.Event()
    thread = threading.Thread(target=drain.run, args=(stop,))
    thread.start()
    try:
        until(lambda: drain.trouble == "no such host")
        spool.append(samples(2))
        store.before = None
        until(drain.idle)
        until(lambda: not drain.trouble)
    finally:
        stop.set()
        drain.hurry()
        thread.join(10)
    assert stored_numbers(store) == [1.0, 2.0]


class Picky(Shaky):
    """A store that refuses every batch that holds one of ``hated`` (None: every batch), as a database may."""

    def __init__(self, store, hated):
        super().__init__(store)
        self.hated = hated

    def write(self, batch):
        """As the store's, or a refusal."""
        if self.hated is None or self.hated & set(batch.samples["value"].to_pylist()):
            raise StoreRefusedError("400: field type conflict")
        return super().write(batch)


def step_often(drain, spool):
    """Steps until nothing waits, with refusals as they come."""
    for _ in range(200):
        with contextlib.suppress(StoreRefusedError):
            drain.step()
        if not spool.depth().rows:
            return
    raise AssertionError(f"{spool.depth()} still waits")


def test_what_the_store_refuses_blocks_nothing_and_is_kept(spool, store):
    """All good samples are stored once; the bad ones alone are set aside, and stored when the store is mended."""
    picky = Picky(store._store, {13.0, 57.0})
    for first in range(0, 80, 20):
        spool.append(samples(*range(first, first + 20)))
    drain = drain_of(spool, picky)
    step_often(drain, spool)
    assert stored_numbers(store) == [float(n) for n in range(80) if n not in (13, 57)]
    assert spool.aside.samples == 2
    assert drain.stored == 78
    picky.hated = set()
    drain_of(spool, picky).step()
    assert (stored_numbers(store), spool.aside.samples) == ([float(n) for n in range(80)], 0)
    assert physical_rows(store) == 80


def test_a_store_that_refuses_everything_is_waited_for(spool, store):
    """Then the fault is not the samples': nothing is cut up or set aside, and all is stored once it takes them."""
    picky = Picky(store._store, None)
    for n in range(5):
        spool.append(samples(2 * n, 2 * n + 1))
    drain = drain_of(spool, picky)
    for _ in range(40):
        with pytest.raises(StoreRefusedError):
            drain.step()
    depth = spool.depth()
    assert (depth.rows, depth.samples, spool.aside.samples) == (5, 10, 0)
    picky.hated = set()
    step_often(drain, spool)
    assert stored_numbers(store) == [float(n) for n in range(10)]


def test_a_kill_amid_refusals_loses_nothing(tmp_path, store):
    """The spool that is opened again knows what was postponed and set aside, and its chain of digests holds."""
    picky = Picky(store._store, {3.0})
    for life in range(30):
        with Spool(tmp_path / "spool.db") as spool:
            if life == 0:
                for first in range(0, 12, 4):
                    spool.append(samples(*range(first, first + 4)))
            drain = drain_of(spool, picky)
            for _ in range(1 + life % 3):
                with contextlib.suppress(StoreRefusedError):
                    drain.step()
    picky.hated = set()
    with Spool(tmp_path / "spool.db") as spool:
        step_often(drain_of(spool, picky), spool)
        assert spool.aside.samples == 0
    assert stored_numbers(store) == [float(n) for n in range(12)]


def test_a_foreign_writer_is_refused(tmp_path):
    """Two spools with one writer id: the second is stopped before it does damage, and may go on with a new id."""
    store = open_store("memory://")
    with Spool(tmp_path / "spool.db") as original:
        original.append(samples(1))
    (tmp_path / "copy.db").write_bytes((tmp_path / "spool.db").read_bytes())
    with Spool(tmp_path / "spool.db") as original, Spool(tmp_path / "copy.db") as copy:
        original.append(samples(2))
        copy.append(samples(7))
        drain_of(original, store).step()
        with pytest.raises(WriterMismatchError):
            drain_of(copy, store).step()
        copy.mint_new_writer()
        drain_of(copy, store).step()
    assert stored_numbers(store) == [1.0, 2.0, 7.0]


def test_clocks_are_not_mixed(spool, store):
    """A store that runs on the wall clock takes nothing from a replay."""
    store.set_clock("wall")
    spool.append(samples(1))
    with pytest.raises(ClockMismatchError):
        drain_of(spool, store, kind="stream").step()
    assert spool.depth().rows == 1


def test_a_time_is_announced_only_after_its_samples_are_stored(spool, store):
    """While the store is away nobody hears of the time; then the highest is told once."""
    told = []
    spool.append(samples(1), announced_us=NOON_US)
    spool.append(SAMPLES.empty_table(), announced_us=NOON_US + 60_000_000)
    drain = drain_of(spool, store, told, kind="stream")
    store.before = StoreError("away")
    with pytest.raises(StoreError):
        drain.step()
    assert told == []
    assert not drain.idle()
    store.before = None
    drain.step()
    drain.step()
    assert told == [moment(NOON_US + 60_000_000)]
    assert drain.idle()


def test_a_logbook_that_is_away_does_not_stop_the_drain(spool, store):
    """Samples go on to the store; the time is told when the logbook is back, after a restart too."""
    spool.append(samples(1), announced_us=NOON_US)

    def away(_now):
        raise LogbookError("away")

    drain = Drain(spool=spool, store=store, clock_kind="stream", announce=away)
    drain.step()
    assert stored_numbers(store) == [1.0]
    assert not drain.idle()
    told = []
    drain_of(spool, store, told, kind="stream").step()
    assert told == [moment(NOON_US)]


def test_rows_without_samples_leave_the_count_in_order(spool, store):
    """Announcements alone need no commit; after a restart the store's last batch is still known as ours."""
    drain = drain_of(spool, store, kind="stream")
    spool.append(samples(1))
    drain.step()
    spool.append(SAMPLES.empty_table(), announced_us=NOON_US)
    drain.step()
    assert store.batches == [1]
    spool.append(samples(2))
    drain_of(spool, store, kind="stream").step()
    assert stored_numbers(store) == [1.0, 2.0]


def test_delays_grow_to_a_limit():
    """Each lies within the upper half of its step; a success begins anew."""
    backoff = Backoff(1.0, 5.0)
    for step in (1.0, 2.0, 4.0, 5.0, 5.0):
        assert step / 2 <= backoff.next() <= step
    backoff.reset()
    assert backoff.next() <= 1.0


def until(done, seconds=20.0):
    """Wait for something another thread does; it fails, rather than hangs, when that never comes."""
    waiter = threading.Event()
    for _ in range(int(seconds / 0.01)):
        if done():
            return
        waiter.wait(0.01)
    raise AssertionError("it did not happen in time")
