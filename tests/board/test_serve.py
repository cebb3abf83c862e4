"""Starting and stopping: the address, the link for the first user, an orderly end, and the demo's last page."""

from __future__ import annotations

import os
import re
import shutil
import signal
import ssl
import subprocess
import sys
import threading
from contextlib import closing
from datetime import timedelta

import httpx
import pytest
from rich.console import Console

from board.serve import served
from skidhand.demo.open_board import show_board
from skidhand.errors import OutsideError, SettingsError
from skidhand.logbook import Logbook
from skidhand.model.samples import micros, table
from skidhand.settings import Board
from skidhand.stores import open_store
from skidhand.stores.base import Batch
from tests.board import site
from tests.board.conftest import PASSWORD
from tests.support.needs import missing


def command(folder, *words: str) -> list[str]:
    """``skidhand board`` on the store and logbook in ``folder``."""
    program = [sys.executable, "-m", "skidhand.cli", "board", *words]
    return [*program, "--store", str(folder / "lake"), "--logbook", str(folder / "l.db")]


def test_the_command_prints_a_link_that_works_and_ends_at_once_when_told(tmp_path):
    """Without users it prints one link; an open event stream does not hold up the end; a heartbeat stands."""
    with site.logbook_of(str(tmp_path / "l.db"), site.fleet_text(site.THREE)):
        pass
    process = subprocess.Popen(
        command(tmp_path, "--port", "0", "--open"), stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True,
        env={**os.environ, "SKIDHAND_CLOCK": "stream"},
    )  # fmt: skip
    try:
        address = re.search(r"http://127\.0\.0\.1:\d+", process.stderr.readline())[0]
        link = re.search(r"http://\S+/set-up/\S+", process.stderr.readline())[0]
        assert httpx.get(link, timeout=60).status_code == 200
        with httpx.stream("GET", f"{address}/api/v1/live", timeout=60) as stream:
            assert next(stream.iter_lines()).startswith("id: ")
            process.send_signal(signal.SIGTERM)
            assert process.wait(30) == 0
    finally:
        process.kill()
        process.communicate()
    with Logbook(str(tmp_path / "l.db")) as book:
        assert [beat.service for beat in book.heartbeats.all()] == ["board"]


def test_a_user_is_made_from_the_command_line(tmp_path):
    """The name is in the logbook with its role, the link is on stdout, and a second try gives a new link."""
    with site.logbook_of(str(tmp_path / "l.db"), site.fleet_text(site.THREE)):
        pass
    env = {**os.environ, "SKIDHAND_CLOCK": "stream"}
    words = command(tmp_path, "--add-user", "robin", "--role", "answer")
    links = {subprocess.run(words, env=env, capture_output=True, text=True, check=True).stdout for _ in range(2)}
    assert all(re.fullmatch(r"http://127\.0\.0\.1:8380/set-up/\S+\n", link) for link in links)
    assert len(links) == 2
    with Logbook(str(tmp_path / "l.db")) as book:
        assert [(user.name, user.role, user.password) for user in book.users.all()] == [("robin", "answer", None)]
        assert [row.what for row in book.audit.newest()] == ["add user"]


def test_a_port_that_is_taken_and_half_a_certificate_are_told(filled, logbook, tmp_path):
    """Both are errors of ours, with what to change."""
    with served(filled[1], logbook, Board(port=0), site.clock()) as address:
        port = int(address.rpartition(":")[2])
        with (
            pytest.raises(OutsideError, match=str(port)),
            served(filled[1], logbook, Board(port=port), site.clock()),
        ):
            pass
    with (
        pytest.raises(SettingsError, match=r"board\.key"),
        served(filled[1], logbook, Board(port=0, cert=tmp_path / "c.pem"), site.clock()),
    ):
        pass


def test_it_speaks_tls_with_the_certificate_that_is_given(filled, logbook, tmp_path):
    """The address says https, the cookie is Secure, and whoever trusts the certificate is told to stay with https."""
    if shutil.which("openssl") is None:
        missing("openssl", "openssl")
    cert, key = tmp_path / "c.pem", tmp_path / "k.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
         "-subj", "/CN=board", "-addext", "subjectAltName=IP:127.0.0.1", "-out", cert, "-keyout", key],
        check=True, capture_output=True,
    )  # fmt: skip
    trusted = ssl.create_default_context(cafile=str(cert))
    with served(filled[1], logbook, Board(port=0, cert=cert, key=key), site.clock()) as address:
        assert address.startswith("https://")
        answer = httpx.post(
            f"{address}/sign-in", data={"name": "leo", "password": PASSWORD}, verify=trusted, timeout=60
        )
        assert answer.status_code == 303
        assert "Secure" in answer.headers["set-cookie"]
        assert answer.headers["strict-transport-security"] == "max-age=31536000"


def test_behind_a_proxy_the_audit_knows_who_asked_and_the_cookie_is_for_https(filled, logbook):
    """A proxy on this host says for whom and over what it asks, and is believed."""
    told = {"x-forwarded-for": "203.0.113.9", "x-forwarded-proto": "https"}
    with served(filled[1], logbook, Board(port=0), site.clock()) as address:
        form = {"name": "leo", "password": PASSWORD}
        answer = httpx.post(f"{address}/sign-in", data=form, headers=told, timeout=60)
        assert answer.status_code == 303
        assert "Secure" in answer.headers["set-cookie"]
    assert logbook.audit.newest()[0].client == "203.0.113.9"


def test_the_demo_ends_with_the_board_open_on_its_data(tmp_path):
    """The page shows the run's fleet until somebody ends it; nobody has to sign in on this host."""
    with site.logbook_of(str(tmp_path / "logbook.db"), site.fleet_text(site.THREE[:1])) as book:
        book.clock.announce(site.NOW)
        site.put(book, site.finding())
    with closing(open_store(str(tmp_path / "lake"))) as store:
        store.set_clock("stream")
        at = micros(site.NOW - timedelta(minutes=1))
        store.write(Batch("w", 1, "d", table([("tf-1/FT-201", at, 40.0, 0, at)])))
    said, stop, pages = threading.Event(), threading.Event(), []
    console = Console(file=open(os.devnull, "w"), width=200, record=True)  # noqa: PTH123, SIM115
    shown = console.print
    console.print = lambda *a, **k: (shown(*a, **k), said.set())
    thread = threading.Thread(target=show_board, args=(tmp_path, console), kwargs={"stop": stop})
    thread.start()
    assert said.wait(60)
    pages.append(httpx.get(re.search(r"http://\S+", console.export_text())[0], timeout=60).text)
    stop.set()
    thread.join(30)
    console.file.close()
    assert not thread.is_alive()
    assert "The split of cyclone has drifted" in pages[0]
