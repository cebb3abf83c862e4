"""The logbook on every database that it is kept on."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from skidhand.logbook import Logbook
from tests.logbook.databases import KINDS, database


@pytest.fixture(params=KINDS)
def url(request, tmp_path) -> Iterator[str]:
    """An empty database."""
    with database(request.param, tmp_path) as found:
        yield found


@pytest.fixture
def logbook(url) -> Iterator[Logbook]:
    """A new logbook."""
    with Logbook(url) as book:
        yield book
