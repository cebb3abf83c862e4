"""A store's URL picks the class."""

from __future__ import annotations

import pytest

from skidhand import plugins
from skidhand.errors import SettingsError
from skidhand.stores import open_store
from skidhand.stores.lake import LakeStore
from tests.stores.support import MEMBERS, batch, good, points, read_all


def test_a_url_picks_the_store(tmp_path):
    """``lake://`` and a plain path are one lake; each scheme gives the class of that scheme."""
    open_store(f"lake://{tmp_path}/data").write(batch(1, good("a/x", (0, 1))))
    plain = open_store(f"{tmp_path}/data/")
    assert isinstance(plain, LakeStore)
    assert points(read_all(plain)) == [("a/x", 0, 1)]
    for scheme in plugins.load("store"):
        assert open_store(f"{scheme}://{'host' if scheme == 'influx' else ''}{tmp_path}/other").scheme == scheme


def test_a_memory_store_is_found_again_by_its_name():
    """One name is one store in a process; without a name each is its own."""
    open_store("memory://here").write(batch(1, good("a/x", (0, 1))))
    assert open_store("memory://here").series() == ["a/x"]
    assert open_store("memory://there").series() == []
    assert open_store("memory://") is not open_store("memory://")


def test_an_unknown_scheme_is_refused():
    """The error names the valid ones."""
    with pytest.raises(SettingsError, match="unknown scheme 'pond'; valid: influx://, lake://, memory://"):
        open_store("pond:///x")


def test_every_built_in_store_is_under_the_contract():
    """A store that is shipped is a member of the suite."""
    assert set(MEMBERS) - {"s3"} == set(plugins.load("store"))  # that is the lake at another address
