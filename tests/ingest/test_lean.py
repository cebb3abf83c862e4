"""What a worker's process has in its memory."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.ingest.support import FLEET_TEXT
from tests.ingest.test_drain import until

ROOT = Path(__file__).parents[2]


@pytest.mark.skipif(not Path("/proc/self/maps").exists(), reason="looks into /proc, which this system has not")
def test_a_worker_holds_no_pandas_and_no_query_engine(tmp_path):
    """Its process runs, has opened lake, spool and logbook, and neither pandas nor Arrow's datasets are loaded."""
    (tmp_path / "fleet.yaml").write_text(FLEET_TEXT)
    places = [str(tmp_path / name) for name in ("fleet.yaml", "spool.db", "lake", "book.db")]
    worker = subprocess.Popen([sys.executable, "-m", "ingest", *places, "127.0.0.1:1"], stdout=subprocess.DEVNULL)
    try:
        clock = tmp_path / "lake" / "samples" / "_delta_log" / f"{1:020d}.json"
        until(lambda: clock.exists() or worker.poll() is not None)
        loaded = Path(f"/proc/{worker.pid}/maps").read_text(encoding="utf-8")
    finally:
        worker.send_signal(signal.SIGTERM)
        code = worker.wait(30)
    assert code == 0
    assert "/deltalake/" in loaded
    assert "/pandas/" not in loaded
    assert "/pyarrow/_dataset." not in loaded


STORES = """
import sys
from pathlib import Path
import ingest.__main__
from ingest.drain import Drain
from ingest.lean import without_pandas
from ingest.spool import Spool
from skidhand.stores import open_store
without_pandas()
from tests.ingest.support import samples
lake = open_store(sys.argv[1] + "/lake")
with Spool(Path(sys.argv[1]) / "spool.db") as spool:
    drain = Drain(spool=spool, store=lake, clock_kind="wall", announce=lambda _: None)
    for number in range(3):
        spool.append(samples(number))
        drain.step()
assert len(lake.series()) == 1
print(*(name for name in ("pandas", "pyarrow._dataset", "pyarrow._acero") if name in sys.modules))
"""


def test_storing_needs_neither(tmp_path):
    """What a worker does with batches, from spool to lake, loads none of it either."""
    done = subprocess.run(
        [sys.executable, "-c", STORES, str(tmp_path)], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert (done.returncode, done.stdout.strip()) == (0, ""), done.stderr


def test_pandas_can_be_had_all_the_same():
    """Hidden from Arrow alone: an import gets it, and so does what Arrow gives out as pandas."""
    code = (
        "import sys; from ingest.lean import without_pandas; without_pandas(); assert 'pandas' not in sys.modules;"
        "import pyarrow as pa; assert list(pa.table({'a': [1, 2]}).to_pandas()['a']) == [1, 2]"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
