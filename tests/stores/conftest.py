"""The contract suite runs over every member of MEMBERS."""

from __future__ import annotations

import pytest

from tests.stores.support import MEMBERS


@pytest.fixture(params=sorted(MEMBERS))
def member(request, tmp_path):
    """A kind of store with no data yet; ``member.open()`` gives handles to the same data."""
    return MEMBERS[request.param](tmp_path)


@pytest.fixture
def store(member):
    """A handle to an empty store."""
    handle = member.open()
    yield handle
    handle.close()
