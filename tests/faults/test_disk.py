"""The disk under spool and store: full, away, torn."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from deltalake import DeltaTable

from skidhand.clock import WallClock
from skidhand.model.samples import micros
from tests.faults.rig import until
from tests.ingest.broker_support import lasting_lines

SECOND_US = 1_000_000
SIZE_MB = 80  # the spool leaves 64 MiB free for itself to make room again


@pytest.fixture
def small_disk(tmp_path) -> Iterator[Path]:
    """A file system of a few megabytes; making one needs the right to mount."""
    folder = tmp_path / "disk"
    folder.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={SIZE_MB}m", "tmpfs", str(folder)], capture_output=True, text=True
    )
    if made.returncode:
        pytest.skip(f"no small disk to fill, for that needs the right to mount: {made.stderr.strip()}")
    yield folder
    subprocess.run(["umount", "--lazy", str(folder)], check=True)


def fill(folder: Path) -> Path:
    """Take every free byte."""
    filler = folder / "filler"
    with filler.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(b"\0" * 65536)
        except OSError:
            pass
    return filler


@pytest.mark.broker
@pytest.mark.slow
def test_a_full_disk_stops_acknowledging_and_says_why(mosquitto_factory, rig_on, small_disk):
    """With no byte left, ingest takes nothing, lives on and tells; given room it goes on by itself, nothing lost."""
    rig = rig_on(mosquitto_factory(lasting_lines()), disk=small_disk)
    rig.start()
    sender = rig.sender()
    until(lambda: len(rig.stored()) > 50, "messages flow")
    filler = fill(small_disk)
    until(lambda: "full" in rig.note(), "the sign of life names the full disk")
    before = sender.sent
    until(lambda: sender.sent > before + 200, "the gateway goes on")
    assert rig.process.is_alive()
    filler.unlink()
    until(lambda: len(rig.stored()) > before, "it goes on by itself")
    rig.audit(sender.finish())
    rig.stop()


@pytest.mark.broker
def test_a_store_that_is_away_is_waited_for(mosquitto_factory, rig_on):
    """While the lake's folder is gone, the spool grows and the worker tells; once it is back all is in it, once."""
    rig = rig_on(mosquitto_factory(lasting_lines()))
    rig.start()
    sender = rig.sender()
    until(lambda: len(rig.stored()) > 50, "messages flow")
    away = rig.lake.with_name("elsewhere")
    rig.lake.rename(away)
    rig.lake.write_text("a file stands where the folder should be")
    until(lambda: "store" in rig.note(), "the sign of life names the store")
    before = sender.sent
    until(lambda: sender.sent > before + 200, "the gateway goes on")
    rig.lake.unlink()
    away.rename(rig.lake)
    rig.audit(sender.finish())
    rig.stop()


@pytest.mark.broker
def test_a_torn_page_and_a_half_written_commit_cost_nothing(mosquitto_factory, rig_on):
    """After a power cut that left half a page in the spool's log and half a commit in the lake, all is there, once."""
    rig = rig_on(mosquitto_factory(lasting_lines()))
    rig.start()
    sender = rig.sender()
    for _ in range(3):
        seen = len(rig.stored())
        until(lambda seen=seen: len(rig.stored()) > seen + 50, "messages flow")
        rig.kill()
        tear(rig.spool.with_name(rig.spool.name + "-wal"))
        half_a_commit(rig.lake / "samples")
        rig.start()
    rig.audit(sender.finish())
    rig.stop()


def tear(log: Path) -> None:
    """What a page that was being written leaves: the beginning of it, and no sync."""
    assert log.stat().st_size > 0, "the kill left no log to tear"
    with log.open("ab") as file:
        file.write(os.urandom(2000))


def half_a_commit(table: Path) -> None:
    """A data file that is cut short, and a commit under its temporary name, as a writer leaves them that dies."""
    (whole, *_) = table.rglob("*.parquet")
    (whole.parent / f"part-torn-{os.urandom(4).hex()}.parquet").write_bytes(
        whole.read_bytes()[: whole.stat().st_size // 2]
    )
    (last, *_) = sorted((table / "_delta_log").glob("*.json"), reverse=True)
    (table / "_delta_log" / f"_commit_{os.urandom(4).hex()}.json.tmp").write_bytes(last.read_bytes()[:100])


@pytest.mark.broker
def test_a_clock_that_is_set_back_loses_and_doubles_nothing(mosquitto_factory, rig_on, tmp_path):
    """An hour back while it runs, then a restart: every message is stored once, none dated before the start."""
    rig = rig_on(mosquitto_factory(lasting_lines()))
    setback = tmp_path / "an-hour-back"
    began = micros(WallClock().now())
    rig.start(setback=setback)
    sender = rig.sender()
    until(lambda: len(rig.stored()) > 50, "messages flow")
    setback.touch()
    seen = len(rig.stored())
    until(lambda: len(rig.stored()) > seen + 50, "messages flow with the clock set back")
    rig.kill()
    rig.start(setback=setback)
    seen = len(rig.stored())
    until(lambda: len(rig.stored()) > seen + 50, "messages flow after the restart")
    rig.audit(sender.finish())
    received = DeltaTable(str(rig.lake / "samples")).to_pyarrow_table(columns=["received"])["received"]
    assert min(received.cast("int64").to_pylist()) >= began // SECOND_US * SECOND_US  # the lake keeps whole seconds
    rig.stop()
