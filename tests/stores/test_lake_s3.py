"""The lake in a bucket: the same answers, two processes at once, and what its URL may say."""

from __future__ import annotations

import uuid
from contextlib import ExitStack

import pytest

from skidhand.errors import SettingsError, StoreError
from skidhand.stores import lake_tidy, open_store
from skidhand.stores.lake_s3 import KEY_FILE, parse
from tests.stores.spool_process import SpoolProcess, rows_of, write
from tests.stores.support import at, batch, good, points, read_all
from tests.support import s3


@pytest.fixture
def bucket(monkeypatch):
    """The URL of a folder of its own in the bucket."""
    for name, value in s3.ENVIRONMENT.items():
        monkeypatch.setenv(name, value)
    return s3.url(f"lake-{uuid.uuid4()}")


def test_a_lake_in_a_bucket(bucket, monkeypatch):
    """Write, tidy, roll up, bundle the log, old versions, buckets and verify, as in a folder."""
    monkeypatch.setattr(lake_tidy, "CARRY_EVERY", 2)
    store = open_store(bucket)
    for n in range(1, 5):
        assert store.write(batch(n, good("a/x", (n, n), (n + 0.5, 0))))
    old, before = store.version(), store.read_buckets(["a/x"], at(0), at(60), 60)
    list(store.tidy(now=at(200_000)))
    store.write(batch(5, good("a/x", (2, 9))))
    for handle in (store, open_store(bucket)):
        assert len(read_all(handle)) == 8
        assert handle.read_buckets(["a/x"], at(0), at(60), 60, as_of=old).equals(before)
        assert handle.landed("w").number == 5
        assert handle.write(batch(3, good("a/x", (3, 3), (3.5, 0)))) is False
        assert list(handle.verify()) == []


def test_two_processes_write_at_once(bucket):
    """Two spools into one bucket, from the lake's creation on: every row lands once."""
    with ExitStack() as stack:
        for running in [stack.enter_context(SpoolProcess(write, bucket, w, 3)) for w in "ab"]:
            running.finish()
    store = open_store(bucket)
    expected = sorted(row[:3] for w in "ab" for n in range(1, 4) for row in rows_of(w, n))
    assert points(read_all(store)) == expected
    assert list(store.verify()) == []


def test_a_bucket_that_is_not_there(bucket):
    """The service's answer comes out as the store's trouble, which the drain waits out."""
    store = open_store(bucket.replace("s3://lake/", "s3://no-such-bucket/"))
    with pytest.raises(StoreError):
        store.write(batch(1, good("a/x", (0, 1))))


def test_the_key_may_stand_in_a_file(tmp_path, monkeypatch):
    """A file of two lines gives the key; one of another shape, or that is not there, is told."""
    key = tmp_path / "key"
    key.write_text("id\nsecret\n")
    monkeypatch.setenv(KEY_FILE, str(key))
    assert parse("s3://lake/x?region=r") == (
        "s3://lake/x",
        {"AWS_REGION": "r", "AWS_ACCESS_KEY_ID": "id", "AWS_SECRET_ACCESS_KEY": "secret"},
    )
    key.write_text("lonely")
    with pytest.raises(SettingsError, match="two lines"):
        parse("s3://lake/x")
    key.unlink()
    with pytest.raises(SettingsError, match="cannot read"):
        parse("s3://lake/x")


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ("s3://lake", "names no bucket and folder"),
        ("s3://id:secret@lake/x", "must not stand in the URL"),
        ("s3://lake/x?zone=1", "valid: endpoint, region"),
        ("s3://lake/x?region=", "valid: endpoint, region"),
    ],
)
def test_a_wrong_url_is_told(wrong, told):
    """What is missing, exposed or unknown is named, and a secret is not repeated."""
    with pytest.raises(SettingsError, match=told) as caught:
        open_store(wrong)
    assert "secret@" not in str(caught.value)
