"""The spool: what it confirmed is there after any end, in order, once."""

import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pyarrow as pa
import pytest

from ingest.peek import peek
from ingest.reasons import Reason, Refusal
from ingest.refusal_log import EXCERPT_BYTES, KEPT, RefusedMessage
from ingest.spool import Depth, Spool, SpoolError, SpoolFullError, chained
from skidhand.errors import IntegrityError, SchemaError, WriterMismatchError
from skidhand.model.samples import SAMPLES
from skidhand.stores.base import Landed
from tests.ingest.support import NOON_US, samples

NOTHING = SAMPLES.empty_table()


@pytest.fixture
def path(tmp_path):
    """Where a new spool may be made."""
    return tmp_path / "spool.db"


def refusal(reason=Reason.BAD_JSON, count=1, payload=b"{", at_us=NOON_US, topic="skidhand/a/b/samples"):
    """A message of which something was refused."""
    return RefusedMessage(at_us, topic, payload, (Refusal(reason, count, "what was wrong"),))


def numbers(spool):
    """All spooled values, oldest first."""
    return [value for row in spool.waiting(10**9) for value in row.table()["value"].to_pylist()]


def test_what_went_in_comes_out(path):
    """Rows keep their samples and order over a close, numbers rise, digests chain."""
    with Spool(path) as spool:
        assert [spool.append(samples(1, 2)), spool.append(samples(3), announced_us=NOON_US)] == [1, 2]
        assert spool.depth().rows == 2
        assert spool.depth().samples == 3
    with Spool(path) as spool:
        first, second = spool.waiting(100)
        assert first.table().equals(samples(1, 2))
        assert (second.announced_us, numbers(spool)) == (NOON_US, [1.0, 2.0, 3.0])
        assert first.digest == chained("", first.payload)
        assert second.digest == chained(first.digest, second.payload)
        assert spool.last_received_us == NOON_US + 3_000_000


def test_numbers_are_never_used_twice(path):
    """Also not when the spool was emptied and opened anew; the chain goes on."""
    with Spool(path) as spool:
        spool.append(samples(1))
        last = spool.waiting(10)[-1]
        spool.remove(last, written=True)
    with Spool(path) as spool:
        assert spool.append(samples(2)) == 2
        row = spool.waiting(10)[0]
        assert row.digest == chained(last.digest, row.payload)


def test_ids_are_minted_with_the_file(path, tmp_path):
    """Writer and client id stay over a restart, differ between spools; a new writer keeps the session."""
    with Spool(path) as spool:
        writer, client = spool.writer, spool.client_id
    with Spool(path) as spool:
        assert (spool.writer, spool.client_id) == (writer, client)
        assert spool.mint_new_writer() != writer
        assert spool.client_id == client
    with Spool(tmp_path / "other.db") as other:
        assert other.writer != writer
        assert other.client_id != client


def test_one_spool_serves_one_process(path):
    """A second process is told so, clearly, while the first lives, and may when it is gone."""
    script = "import sys\nfrom ingest.spool import Spool\nSpool(sys.argv[1]).close()"
    with Spool(path):
        second = subprocess.run([sys.executable, "-c", script, str(path)], capture_output=True, text=True, check=False)
        assert second.returncode != 0
        assert "IntegrityError" in second.stderr
        assert "held by another process" in second.stderr
        with pytest.raises(IntegrityError, match="one spool serves one ingest"):
            Spool(path)
    subprocess.run([sys.executable, "-c", script, str(path)], check=True)


def test_other_files_are_not_taken_for_a_spool(path):
    """Neither a file that is no database nor a spool of a newer version is touched."""
    path.write_bytes(b"no database at all, but long enough to be read as a header" * 100)
    with pytest.raises(IntegrityError, match="no spool"):
        Spool(path)
    path.unlink()
    Spool(path).close()
    with sqlite3.connect(path) as db:
        db.execute("UPDATE meta SET value = 99 WHERE key = 'version'")
    db.close()
    with pytest.raises(SchemaError, match="version 99"):
        Spool(path)


def test_a_kill_leaves_what_was_confirmed(path):
    """A process that is killed right after its third append leaves three rows."""
    script = (
        "import os, signal, sys\nfrom ingest.spool import Spool\nfrom tests.ingest.support import samples\n"
        "spool = Spool(sys.argv[1])\nfor n in range(3): spool.append(samples(n))\nos.kill(os.getpid(), signal.SIGKILL)"
    )
    done = subprocess.run([sys.executable, "-c", script, str(path)], cwd=Path(__file__).parents[2], check=False)
    assert done.returncode == -9
    with Spool(path) as spool:
        assert numbers(spool) == [0.0, 1.0, 2.0]


def test_a_torn_last_page_costs_only_what_was_never_confirmed(path, tmp_path):
    """The file cut off at any place of its log opens, with the first rows whole and in order.

    A kill or a power cut in the midst of an append leaves such a file; what was confirmed before lies
    before the cut, for each append waits for the disk.
    """
    wal = path.with_name("spool.db-wal")
    ends = []
    with Spool(path) as spool:
        start = wal.stat().st_size
        for n in range(6):
            spool.append(samples(*range(10 * n, 10 * n + 10)))
            ends.append(wal.stat().st_size)
        whole, base = wal.read_bytes(), path.read_bytes()
    for cut in sorted({*range(start, len(whole), 1777), *ends, *(end - 1 for end in ends)}):
        torn = tmp_path / f"cut-{cut}.db"
        torn.write_bytes(base)
        torn.with_name(torn.name + "-wal").write_bytes(whole[:cut])
        confirmed = sum(end <= cut for end in ends)
        with Spool(torn) as spool:
            got = numbers(spool)
            assert got == [float(n) for n in range(len(got))]
            assert len(got) == 10 * confirmed
            assert spool.append(samples(100)) == confirmed + 1


def test_a_damaged_row_is_noticed(path):
    """A row that is not what was written is never handed to the store."""
    with Spool(path) as spool:
        spool.append(samples(1))
        spool.append(samples(2))
    with sqlite3.connect(path) as db:
        db.execute("UPDATE rows SET payload = (SELECT payload FROM rows WHERE number = 1) WHERE number = 2")
    db.close()
    with Spool(path) as spool, pytest.raises(IntegrityError, match="batch 2 is damaged"):
        spool.waiting(100)


def test_waiting_gives_at_least_one_row_and_at_most_what_is_asked(path):
    """A row larger than the limit still moves."""
    with Spool(path) as spool:
        for first in (0, 5, 10):
            spool.append(samples(*range(first, first + 5)))
        assert [len(spool.waiting(n)) for n in (1, 9, 10, 14, 15)] == [1, 1, 2, 2, 3]


def test_a_full_spool_refuses_and_takes_again(path):
    """At its limit it keeps nothing new and loses nothing old; a removed row makes room."""
    size = len(samples_payload(path.with_name("probe.db")))
    with Spool(path, max_bytes=2 * size + size // 2) as spool:
        spool.append(samples(1))
        spool.append(samples(2))
        with pytest.raises(SpoolFullError, match="is full"):
            spool.append(samples(3), refused=[refusal()])
        assert numbers(spool) == [1.0, 2.0]
        assert spool.refusals.counts() == {}
        spool.append(NOTHING, refused=[refusal()])  # counting needs no room
        spool.remove(spool.waiting(1)[0], written=True)
        assert spool.append(samples(3)) == 3
        assert numbers(spool) == [2.0, 3.0]


def test_a_batch_larger_than_the_limit_is_taken_when_nothing_else_waits(path):
    """Otherwise it would stand for ever."""
    with Spool(path, max_bytes=1) as spool:
        assert spool.append(samples(1)) == 1
        with pytest.raises(SpoolFullError):
            spool.append(samples(2))


def test_a_full_disk_refuses_and_takes_again(path):
    """SQLite's own word for a full disk is understood; the reserve refuses before it comes to that."""
    with Spool(path) as spool:
        spool.append(samples(1))
        spool.file._db.execute("PRAGMA max_page_count = 10")
        with pytest.raises(SpoolFullError, match="full"):
            spool.append(pa.concat_tables([samples(*range(3000))]), refused=[refusal()])
        assert numbers(spool) == [1.0]
        assert spool.refusals.counts() == {}
        spool.file._db.execute("PRAGMA max_page_count = 1000000")
        assert spool.append(samples(2)) == 2
    free = shutil.disk_usage(path.parent).free
    with Spool(path, reserve_bytes=2 * free) as spool, pytest.raises(SpoolFullError, match="disk of spool"):
        spool.append(samples(3))


def test_rows_that_landed_before_a_kill_are_forgotten(path):
    """Between the store's commit and our removal lies a moment; the store's word decides."""
    with Spool(path) as spool:
        for n in range(4):
            spool.append(samples(n), announced_us=NOON_US + n)
        second = spool.waiting(100)[1]
        assert spool.reconcile(None) == 0
        assert spool.reconcile(Landed(second.number, second.digest)) == 2
        assert numbers(spool) == [2.0, 3.0]
        known = spool.depth()
        spool.recount()
        assert spool.depth() == known
        assert (spool.depth().rows, spool.depth().samples) == (2, 2)
        assert spool.announce_due_us == NOON_US + 1
        assert spool.reconcile(Landed(second.number, second.digest)) == 0


def test_a_copied_spool_is_refused_until_it_has_a_new_writer(path, tmp_path):
    """What landed under our id and is not ours means that this spool is a copy."""
    with Spool(path) as spool:
        spool.append(samples(1))
        row = spool.waiting(10)[0]
        for landed in (Landed(row.number, "0" * 64), Landed(row.number + 5, row.digest)):
            with pytest.raises(WriterMismatchError, match="new writer id"):
                spool.reconcile(landed)
        spool.remove(row, written=True)
        with pytest.raises(WriterMismatchError):
            spool.reconcile(Landed(row.number, "0" * 64))
        spool.mint_new_writer()
        assert spool.reconcile(None) == 0


def test_a_store_that_was_set_back_is_no_reason_to_stop(path):
    """It holds less than this spool wrote; nothing that waits is endangered by that."""
    with Spool(path) as spool:
        for n in range(3):
            spool.append(samples(n))
        first, _, third = spool.waiting(100)
        spool.remove(third, written=True)
        assert spool.reconcile(Landed(first.number, first.digest)) == 0


def test_refusals_are_counted_for_good_and_logged_for_a_while(path):
    """Counters add up over restarts; of the lines the last thousand stay, cut short, whatever they hold."""
    with Spool(path) as spool:
        spool.append(NOTHING, refused=[refusal(count=3), refusal(Reason.UNKNOWN_TAG, 2, b"x" * 5000)])
    with Spool(path) as spool:
        spool.append(samples(1), refused=[refusal(count=4, topic="a\ud800b" + "t" * 5000)])
        assert spool.refusals.counts() == {"bad-json": 7, "unknown-tag": 2}
        newest, middle, _ = spool.refusals.last()
        assert (newest.count, newest.reason, len(newest.topic) < 300) == (4, "bad-json", True)
        assert middle.excerpt == b"x" * EXCERPT_BYTES
        for _ in range(3):
            spool.append(NOTHING, refused=[refusal()] * 700)
        assert len(spool.refusals.last(10**6)) == KEPT
        assert spool.refusals.counts()["bad-json"] == 7 + 2100


def test_the_depth_is_kept_in_step(path):
    """What is told of the depth is what a count of the file gives, after every step."""
    with Spool(path) as spool:
        assert spool.depth() == Depth(0, 0, 0, None)
        for n in range(4):
            spool.append(samples(*range(n + 1)))
            known = spool.depth()
            spool.recount()
            assert spool.depth() == known
        for row in spool.waiting(100):
            spool.remove(row, written=True)
            known = spool.depth()
            spool.recount()
            assert spool.depth() == known


def test_others_can_look_into_a_spool_that_is_held(path):
    """Depth and refusals are told without the lock, as they stand now; where there is no spool, that is said."""
    with pytest.raises(SpoolError, match="there is no spool"):
        peek(path)
    with Spool(path) as spool:
        spool.append(samples(1, 2), refused=[refusal(count=3), refusal(Reason.UNKNOWN_TAG)])
        seen, depth = peek(path, lines=1), spool.depth()
        assert (seen.samples, seen.bytes, seen.oldest_us) == (depth.samples, depth.bytes, depth.oldest_us)
        assert seen.refused == spool.refusals.counts() == {"bad-json": 3, "unknown-tag": 1}
        assert list(seen.last) == spool.refusals.last(1)
    path.write_bytes(b"no database" * 100)
    with pytest.raises(SpoolError, match="cannot look into"):
        peek(path)


def test_a_closed_spool_says_so(path):
    """A late thread gets an error of ours, not SQLite's."""
    spool = Spool(path)
    spool.close()
    with pytest.raises(SpoolError):
        spool.append(samples(1))


def samples_payload(path):
    """The bytes that one sample takes in a spool."""
    with Spool(path) as spool:
        spool.append(samples(1))
        return spool.waiting(1)[0].payload
