"""A board over a small fleet, with one user of each role."""

from __future__ import annotations

import re
import shutil
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest
from argon2 import PasswordHasher
from fastapi import FastAPI

from board.app import make_app
from board.pages import sign_in
from skidhand.logbook import Logbook
from skidhand.settings import Board
from skidhand.stores.memory import MemoryStore
from tests.board import site

with warnings.catch_warnings():  # starlette's client would rather have httpx's successor; ours is httpx
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

PASSWORD = "a long enough secret"
CHEAP = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)


@pytest.fixture(autouse=True)
def cheap_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Argon2 with little memory: its cost is the library's business, not of these tests."""
    monkeypatch.setattr(sign_in, "hasher", lambda: CHEAP)


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, MemoryStore]:
    """A logbook file to copy, and a store to share: three skids, one in need, one that wants a wash."""
    path = tmp_path_factory.mktemp("board") / "logbook.db"
    with site.logbook_of(str(path), site.fleet_text(site.THREE)) as book:
        split, wash = site.finding(), site.rise("tf-2")
        site.put(book, split, wash)
        site.prompt(book, split)
        site.prompt(book, wash, "1234", kind="backwash", priority="medium", title="filter-a backwash")
        for name, role, sites in (
            ("ada", "admin", None), ("eve", "engineer", None), ("ann", "answer", None), ("leo", "look", None),
            ("tia", "look", ["tansy-4"]), ("cus", "customer", ["tansy-4"]),
        ):  # fmt: skip
            book.users.add(name, role, sites, "robin" if role == "answer" else None)
            book.users.set_password(name, CHEAP.hash(PASSWORD))
    store = MemoryStore()
    site.fill(store, [skid for skid, *_ in site.THREE])
    return path, store


@pytest.fixture
def logbook(filled: tuple[Path, MemoryStore], tmp_path: Path) -> Iterator[Logbook]:
    """A logbook of one's own."""
    shutil.copy(filled[0], tmp_path / "logbook.db")
    with Logbook(str(tmp_path / "logbook.db")) as book:
        yield book


@pytest.fixture
def app(filled: tuple[Path, MemoryStore], logbook: Logbook) -> FastAPI:
    """The board."""
    return make_app(filled[1], logbook, Board(), site.clock())


@pytest.fixture
def client(app: FastAPI) -> httpx.Client:
    """Nobody yet."""
    return client_of(app)


@pytest.fixture
def signed_in(app: FastAPI) -> Callable[[str], httpx.Client]:
    """``signed_in("ann")``: a client of that user."""

    def made(name: str) -> httpx.Client:
        client = client_of(app)
        answer = client.post("/sign-in", data={"name": name, "password": PASSWORD})
        assert answer.status_code == 303, answer.text
        return client

    return made


def client_of(app: FastAPI, *, host: str = "127.0.0.1", base: str = "http://localhost") -> httpx.Client:
    """A client at that address, which does not follow redirects."""
    return TestClient(app, base_url=base, client=(host, 1), follow_redirects=False)


def csrf_of(text: str) -> str:
    """The secret that the page's forms carry."""
    found = re.search(r'name="csrf" value="([^"]+)"', text)
    assert found
    return found[1]
