"""What every store promises about the changes cursor and old versions, or declares that it lacks."""

from __future__ import annotations

import re

import pytest

from skidhand.errors import NotFoundError, StoreError
from skidhand.stores.base import Span
from tests.stores.support import at, batch, good, points, read_all, us


@pytest.fixture
def changing(store):
    """A store that has changes; one that declares it has none must refuse to answer, with its reason."""
    if "changes" in store.lacks:
        with pytest.raises(StoreError, match=re.escape(store.lacks["changes"])):
            store.changes(None)
        pytest.skip(f"declared: {store.lacks['changes']}")
    return store


@pytest.fixture
def versioned(store):
    """A store that has versions; one that declares it has none must refuse to answer, with its reason."""
    if "as_of" in store.lacks:
        with pytest.raises(StoreError, match=re.escape(store.lacks["as_of"])):
            store.read(["a/x"], at(0), at(1), as_of="0")
        pytest.skip(f"declared: {store.lacks['as_of']}")
    return store


def test_changes_tell_what_came_since(member, changing):
    """A cursor gives the spans of the batches after it: nothing missed, nothing told twice."""
    empty = changing.changes(None)
    assert empty.spans == {}
    changing.write(batch(1, good("a/x", (10, 1), (30, 2)) + good("a/y", (5, 1))))
    one = changing.changes(empty.cursor)
    assert one.spans == {"a/x": Span(us(10), us(30)), "a/y": Span(us(5), us(5))}
    assert changing.changes(one.cursor).spans == {}
    changing.write(batch(2, good("a/x", (20, 1))))
    changing.write(batch(3, good("a/x", (-90_000, 1), (25, 1))))
    two = member.open().changes(one.cursor)
    assert two.spans == {"a/x": Span(us(-90_000), us(25))}
    everything = {"a/x": Span(us(-90_000), us(30)), "a/y": Span(us(5), us(5))}
    assert changing.changes(empty.cursor).spans == everything
    assert changing.changes(None).spans == everything


def test_what_did_not_land_did_not_change(changing):
    """A skipped batch, an empty one, the clock and tidying report nothing."""
    changing.write(batch(1, good("a/x", (0, 1))))
    cursor = changing.changes(None).cursor
    changing.write(batch(1, good("a/x", (0, 1))))
    changing.write(batch(2, []))
    changing.set_clock("wall")
    list(changing.tidy(now=at(400_000)))
    assert changing.changes(cursor).spans == {}


@pytest.mark.parametrize("series", [3, 400])
def test_many_series_change_at_once(changing, series):
    """The spans of few and of many series survive how they are kept."""
    rows = [row for k in range(series) for row in good(f"skid-{k}/PDT-{k}", (k, 1), (2 * k + 0.5, 2))]
    cursor = changing.changes(None).cursor
    changing.write(batch(1, rows))
    expected = {f"skid-{k}/PDT-{k}": Span(us(k), us(2 * k + 0.5)) for k in range(series)}
    assert changing.changes(cursor).spans == expected


@pytest.mark.parametrize("cursor", ["", "soup", "-5", "99999999", "elsewhere:3", "٣"])
def test_a_foreign_cursor_is_refused(changing, cursor):
    """A cursor of another store must not be taken for one of this; the error says what to do."""
    changing.write(batch(1, good("a/x", (0, 1))))
    with pytest.raises(StoreError, match="read everything anew"):
        changing.changes(cursor)


def test_old_versions_stay_as_they_were(member, versioned):
    """A version taken before a write, a correction and a tidy still gives the old answers."""
    empty = versioned.version()
    versioned.write(batch(1, good("a/x", (0, 1), (60, 2))))
    old = versioned.version()
    versioned.write(batch(2, [("a/x", 0, 9.0, 0, 100), ("a/x", 90, 3.0, 0, 100)]))
    list(versioned.tidy(now=at(400_000)))
    new = versioned.version()
    for store in (versioned, member.open()):
        assert points(read_all(store, ["a/x"], as_of=old)) == [("a/x", 0, 1), ("a/x", 60, 2)]
        assert points(read_all(store, ["a/x"], as_of=empty)) == []
        for latest in (new, None):
            assert [v for _, _, v in points(read_all(store, ["a/x"], as_of=latest))] == [9, 2, 3]
        assert store.read_buckets(["a/x"], at(0), at(60), 60, as_of=old)["sum"].to_pylist() == [1]
        assert store.read_buckets(["a/x"], at(0), at(60), 60)["sum"].to_pylist() == [9]


@pytest.mark.parametrize("version", ["", "yesterday", "-1", "99999999", "1.5"])
def test_an_unknown_version_is_refused(versioned, version):
    """A version that this store never had is an error that names the valid ones."""
    versioned.write(batch(1, good("a/x", (0, 1))))
    with pytest.raises(NotFoundError, match="valid"):
        read_all(versioned, ["a/x"], as_of=version)
