"""A rig that leaves nothing running, whatever a test does."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from tests.faults.rig import Rig


@pytest.fixture
def rig_on(tmp_path) -> Iterator[Callable[..., Rig]]:
    """``rig_on(server, **more)``: a rig in the test's folder; its gateway and its ingest end with the test."""
    rigs: list[Rig] = []

    def make(server, **more) -> Rig:
        rigs.append(Rig(server, tmp_path, **more))
        return rigs[-1]

    yield make
    for rig in rigs:
        rig.clear()
