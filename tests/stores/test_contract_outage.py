"""What a drain does with a store that is away and comes back, and two processes with one store: all lands, once."""

from __future__ import annotations

import pytest

from skidhand.errors import StoreError
from skidhand.stores import open_store
from skidhand.stores.lake import LakeStore
from tests.stores.spool_process import SpoolProcess, rows_of, write
from tests.stores.support import batch, good, points, read_all
from tests.support import influx


def drain(store, numbers):
    """As a drain does: one after the other, from the first that the store has not; stops at the first failure."""
    for n in numbers:
        store.write(batch(n, good("a/x", (n, n))))


def test_a_lake_that_is_away_for_ten_minutes(tmp_path):
    """Attempts over ten minutes, one in 30 s, fail as the store's trouble; the folder back, every batch lands once."""
    folder, away = tmp_path / "lake", tmp_path / "away"
    store = LakeStore(str(folder))
    drain(store, range(1, 4))
    folder.rename(away)
    folder.write_text("not a folder: the mount is gone")
    for _ in range(20):
        with pytest.raises(StoreError):
            drain(store, [4])
    folder.unlink()
    away.rename(folder)
    drain(store, range(3, 40))  # what the spool has kept since, and once more the last before
    assert [v for _, _, v in points(read_all(store))] == list(range(1, 40))
    assert list(store.verify()) == []


def test_a_server_that_is_away(tmp_path):
    """An InfluxDB that is killed and comes back: failures are the store's trouble, then every batch lands once."""
    server = influx.Influx(tmp_path / "server")
    server.start()
    try:
        store = open_store(server.new_url())
        drain(store, range(1, 4))
        server.kill()
        for _ in range(3):
            with pytest.raises(StoreError):
                drain(store, [4])
        server.start()
        drain(store, range(3, 40))
        assert [v for _, _, v in points(read_all(store))] == list(range(1, 40))
        store.close()
    finally:
        server.stop()


@pytest.mark.parametrize("kind", ["lake", "influx"])
def test_two_processes_at_once(kind, tmp_path):
    """Two spools drained by two processes into one store: all rows of both, once each."""
    url = f"lake://{tmp_path}/lake" if kind == "lake" else influx.new_url()
    with SpoolProcess(write, url, "a", 8) as one, SpoolProcess(write, url, "b", 8) as other:
        one.finish()
        other.finish()
    store = open_store(url)
    assert points(read_all(store)) == sorted(row[:3] for w in "ab" for n in range(1, 9) for row in rows_of(w, n))
