"""Fixtures that several test modules share."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from analytics import engine
from tests.support import datasets as recordings
from tests.support import mosquitto as broker
from tests.support.mosquitto import Mosquitto
from tests.support.needs import missing


@pytest.fixture(autouse=True)
def a_detectors_failure_fails_the_test(monkeypatch: pytest.MonkeyPatch) -> None:
    """The product goes on without a detector that fails; a test must not."""
    monkeypatch.setattr(engine, "BEARS", False)


@pytest.fixture(scope="session")
def mosquitto(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    """One broker for the whole session: use a unique topic or client (see ``unique_id``), never kill it."""
    if broker.program() is None:
        missing("mosquitto", "mosquitto")
    server = Mosquitto(tmp_path_factory.mktemp("mosquitto"))
    server.start()
    yield server
    server.stop()


@pytest.fixture
def mosquitto_factory(tmp_path: Path) -> Iterator[Callable[..., Mosquitto]]:
    """Make brokers of one's own, for tests that kill or configure them: ``mosquitto_factory(lines)``."""
    if broker.program() is None:
        missing("mosquitto", "mosquitto")
    servers: list[Mosquitto] = []

    def make(lines: Sequence[str] = broker.ROOMY) -> Mosquitto:
        server = Mosquitto(tmp_path / f"mosquitto-{len(servers)}", lines)
        server.start()
        servers.append(server)
        return server

    yield make
    for server in servers:
        server.stop()


@pytest.fixture
def unique_id() -> str:
    """A name that no other test uses, fit for a site, skid or client id."""
    return f"t{uuid.uuid4().hex[:12]}"


@pytest.fixture(scope="session")
def datasets() -> Path:
    """The folder of open recordings; the test is skipped where they are not."""
    found = recordings.folder()
    if found is None:
        pytest.skip(
            "the open recordings are not here: set SKIDHAND_DATASETS to their folder, "
            f"or put them in {recordings.BESIDE_THE_CLONE}"
        )
    return found


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Long tests first, so that two workers end together; within each half the order stays."""
    items.sort(key=lambda item: item.get_closest_marker("slow") is None)
