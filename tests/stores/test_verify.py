"""``verify`` finds whatever was lost, doubled or damaged, and says where; it is silent about a sound lake."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from deltalake import DeltaTable
from deltalake.transaction import AddAction, RemoveAction

from skidhand.errors import StoreError
from skidhand.stores.lake import LakeStore
from tests.stores.support import at, batch, good
from tests.stores.test_retention import KEEP


@pytest.fixture
def path(tmp_path):
    """A lake of three batches, a day sealed and rolled up, and fresh rows after it."""
    lake = LakeStore(str(tmp_path / "lake"))
    for n in range(1, 4):
        lake.write(batch(n, [row for s in ("a/x", "a/y") for row in good(s, *((k * 10 + n, k) for k in range(400)))]))
    list(lake.tidy(now=at(200_000)))
    for n in range(4, 7):
        lake.write(batch(n, good("a/x", (200_000 + n, n), (5, n))))
    return tmp_path / "lake"


def faults(path) -> list[str]:
    """What a new handle finds."""
    return list(LakeStore(str(path)).verify())


def live(path, table, part):
    """The live files of a table whose name holds ``part``."""
    uris = DeltaTable(str(path / table)).file_uris()
    return sorted(uri for uri in uris if part in uri)


def test_a_sound_lake_has_no_fault(path):
    """Whatever was written, overwritten, tidied and retained: the sums agree."""
    assert faults(path) == []
    lake = LakeStore(str(path))
    for days in (1, 3, 4, 9):
        lake.write(batch(10 + days, good("a/short", (days, 1), (days + 1, 2)) + good("a/x", (7, days))))
        list(lake.tidy(now=at(days * 86_400), keep=KEEP))
        assert faults(path) == []


@pytest.mark.parametrize("table", ["samples", "rollups"])
@pytest.mark.parametrize("damage", ["deleted", "truncated", "corrupted"])
def test_a_damaged_file_is_found(path, table, damage):
    """A file that is gone, cut off, or has one byte changed is named."""
    victim = live(path, table, "sealed-" if table == "samples" else "width=60")[0]
    if damage == "deleted":
        os.unlink(victim)  # noqa: PTH108
    elif damage == "truncated":
        os.truncate(victim, os.stat(victim).st_size - 1)  # noqa: PTH116
    else:
        with open(victim, "r+b") as file:  # noqa: PTH123
            file.seek(os.stat(victim).st_size // 3)  # noqa: PTH116
            byte = file.read(1)
            file.seek(-1, os.SEEK_CUR)
            file.write(bytes([byte[0] ^ 0x10]))
    found = faults(path)
    assert any(victim.rpartition("/")[2] in fault for fault in found), found


def test_rollups_that_are_newer_than_the_samples_are_found(path, tmp_path):
    """A copy that took the samples' log before that of the rollups would answer with rows that it does not have."""
    log = Path("samples") / "_delta_log"
    shutil.copytree(path / log, tmp_path / "copy" / log)
    lake = LakeStore(str(path))
    lake.write(batch(7, good("a/x", (8000, 1))))
    list(lake.tidy(now=at(200_000)))
    shutil.copytree(
        path, tmp_path / "copy", dirs_exist_ok=True, ignore=lambda at, _: ["_delta_log"] if "samples" in at else []
    )
    assert faults(path) == []
    found = faults(tmp_path / "copy")
    assert len(found) == 2  # minutes and hours
    assert all("made from commit" in fault for fault in found)


def test_a_fresh_file_with_another_value_is_found(path):
    """A file put in place of another of the same size and rows: the day's checksum tells."""
    one, other = live(path, "samples", "day=2026-03-03/part-")[:2]
    if os.stat(one).st_size == os.stat(other).st_size:  # noqa: PTH116
        shutil.copy(one, other)
    else:
        pytest.skip("the two files differ in size by chance of the encoder")
    assert faults(path) == ["2026-03-03: 3 rows lie there, but not with the values that were committed"]


def test_a_missing_commit_is_found(path):
    """A commit taken out of the log: the batch that it brought is missing, and verify names the gap."""
    log = path / "samples" / "_delta_log"
    newest = max(int(file.stem) for file in log.glob("*.json"))
    (log / f"{newest - 1:020d}.json").unlink()
    assert any(f"commits {newest - 1} to {newest - 1} are missing" in fault for fault in faults(path))


def test_the_newest_commit_may_be_missing_unseen(path):
    """As the page says: nothing names the last commit but itself. A spool that holds its batch writes it again."""
    log = path / "samples" / "_delta_log"
    max(log.glob("*.json")).unlink()
    assert faults(path) == []
    assert LakeStore(str(path)).write(batch(6, good("a/x", (200_006, 6), (5, 6))))
    assert faults(path) == []


def test_a_batch_that_another_program_took_out_is_found(path):
    """A file removed from the table by a commit of somebody else: the day's count no longer agrees."""
    delta = DeltaTable(str(path / "samples"))
    victim = live(path, "samples", "day=2026-03-03/part-")[0]
    name = victim[victim.index("day=") :]
    actions: list[AddAction | RemoveAction] = [RemoveAction(name, True, 0, 1, {"day": "2026-03-03"})]
    delta.create_write_transaction(actions, "append", delta.schema(), ["day"])
    found = faults(path)
    assert any("was made by another program" in fault for fault in found)
    assert "2026-03-03: 2 rows lie there, and the commits brought 3" in found


def test_the_other_stores_say_why_not():
    """A store that cannot verify refuses with its reason."""
    from skidhand.stores.memory import MemoryStore

    with pytest.raises(StoreError, match="verify: there are no files"):
        list(MemoryStore().verify())
