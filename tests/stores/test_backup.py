"""docs/stores/lake.md, back-up and restore: its commands as they stand, beside ingest and tidy."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import threading
from datetime import timedelta
from pathlib import Path

from ingest.drain import Drain
from ingest.spool import Spool
from skidhand.stores.lake import LakeStore
from tests.cli.conftest import home, run  # noqa: F401 - fixtures
from tests.ingest.support import NOON, samples, stored_numbers

PAGE = (Path(__file__).parents[2] / "docs" / "stores" / "lake.md").read_text(encoding="utf-8")
BACK_UP, RESTORE = re.findall(r"```sh\n(.*?)```", PAGE.partition("## Back-up and restore")[2], re.DOTALL)


def bring(spool: Spool, lake: LakeStore, numbers: range) -> None:
    """Each number spooled and drained into the lake."""
    drain = Drain(spool=spool, store=lake, clock_kind="wall", announce=lambda _: None)
    for number in numbers:
        spool.append(samples(number))
        drain.step()


def follow(script: str, folder: Path, run) -> str:  # noqa: F811
    """Do what the page says, our own commands in this process; what they found wrong."""
    ours = [line for line in script.splitlines() if line.startswith("skidhand ")]
    shell = script.partition("skidhand ")[0]
    done = subprocess.run(["sh", "-ec", shell], cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    faults = ""
    for line in ours:
        told = run(*shlex.split(line)[1:])
        assert (told.code == 0) == ("sound" in told.err) == (not told.out), told.err
        faults += told.out
    return faults


def test_the_logs_are_copied_in_the_order_that_keeps_them_true(tmp_path):
    """Bundles before the logs that they were cut from, rollups before samples, even where find meets them last."""
    for folder in ("samples/_delta_log", "samples/_history", "rollups/_delta_log"):
        (tmp_path / "lake" / folder).mkdir(parents=True)
    backwards = tmp_path / "find"
    backwards.write_text(f'#!/bin/sh\n{shutil.which("find")} "$@" | sort -r\n')
    backwards.chmod(0o755)
    inner = re.search(r"\$\((.*)\)\)", BACK_UP.splitlines()[1])[1]
    told = subprocess.run(
        ["sh", "-c", f"PATH={tmp_path}:$PATH; {inner}"],
        cwd=tmp_path / "lake", capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert told.stdout.split() == ["./samples/_history", "./rollups/_delta_log", "./samples/_delta_log"]


def test_the_pages_commands_save_and_restore_a_lake(run, home, monkeypatch):  # noqa: F811
    """Copied beside a writer and a tidy the copy is sound; put in place it has all up to then; ingest goes on."""
    monkeypatch.setattr("skidhand.stores.lake_tidy.CARRY_EVERY", 4)  # cuts the log, too, while it is copied
    lake, over = LakeStore(str(home / "lake")), threading.Event()
    with Spool(home / "spool.db") as spool:
        bring(spool, lake, range(6))
        list(lake.tidy(now=NOON + timedelta(days=2)))  # sealed and rolled up; what comes now is late
        bring(spool, lake, range(6, 10))

        def go_on() -> None:
            number = 10
            while not over.is_set():
                bring(spool, lake, range(number, number + 5))
                list(LakeStore(str(home / "lake")).tidy(now=NOON + timedelta(days=2)))
                number += 5

        beside = threading.Thread(target=go_on)
        beside.start()
        try:
            for _ in range(5):  # as the page says: the log may be cut in that very second
                if not (faults := follow(BACK_UP, home, run)):
                    break
                shutil.rmtree(home / "backup")
            assert not faults
        finally:
            over.set()
            beside.join()
        stored = stored_numbers(lake)
        assert not follow(RESTORE, home, run)
        restored = LakeStore(str(home / "lake"))
        saved = stored_numbers(restored)
        assert saved == stored[: len(saved)]
        assert len(saved) >= 10
        bring(spool, restored, range(1000, 1005))  # the spool that was there all the time, whose batches go on
        assert stored_numbers(restored) == [*saved, *(float(number) for number in range(1000, 1005))]
    assert list(restored.verify()) == []
