"""The pictures in docs/board: ``python -m tests.board.pictures FOLDER [TANKS]``.

FOLDER is what ``skidhand demo --hours 56`` left, when something stands, TANKS one of the scenario shared-tank. Logbooks
are copied first: the pictures are those of a signed-in engineer, who is no part of the demo.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from board.access import COOKIE
from board.serve import served
from skidhand.logbook import Logbook
from skidhand.model.finding import Finding
from skidhand.settings import Board
from skidhand.stores import open_store

OUT = Path(__file__).parents[2] / "docs" / "board"
COLOURS = 160
TALLEST = 1700
SIZES = {"desktop": (1280, 800), "phone": (390, 844)}
WHOLE = ("skid", "event", "handover", "report", "event-phone", "users", "tanks-event", "logbook-write")

Shot = tuple[str, str, str, str, str]
"""Name, path, size, colours, language."""


@contextmanager
def opened(folder: Path) -> Iterator[tuple[str, str, Logbook]]:
    """The board over a copy of that logbook: address, a session's secret, the logbook."""
    with tempfile.TemporaryDirectory() as name:
        copy = Path(shutil.copy(folder / "logbook.db", Path(name) / "logbook.db"))
        with Logbook(str(copy)) as book, closing(open_store(str(folder / "lake"))) as store:
            people = book.fleets.current().fleet.roster.people
            for role in ("admin", "look", "customer"):
                book.users.add(role, role, None, people[0].id if people and role == "admin" else None)
            with served(store, book, Board(port=0), book.open_clock("stream")) as address:
                yield address, book.sessions.begin("admin"), book


def main(folder: Path, tanks: Path | None) -> None:
    """One picture a page, few colours, at most 150 kB each."""
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path="/usr/bin/chromium")
        with opened(folder) as (address, secret, book):
            _draw(browser, address, secret, _pages(book))
            _draw(browser, address, "", [("sign-in", "/sign-in", "phone", "dark", "en-US")])
        if tanks is not None:
            with opened(tanks) as (address, secret, book):
                shared = next(
                    one for one in book.analysis.current() if one.state == "open" and one.unit.endswith("tank")
                )
                _draw(browser, address, secret, _tank_pages(shared))


def _pages(book: Logbook) -> list[Shot]:
    drawn = [one for one in book.analysis.current() if one.evidence.traces]
    worst = max(drawn, key=lambda one: (one.state == "open", one.severity == "high", one.onset))
    event, skid = f"/events/{worst.id}", f"/skids/{worst.skid}"
    report = f"/report?of=skid+{worst.skid}&period={worst.onset:%Y-%m-%d}"
    return [
        ("fleet", "/", "desktop", "light", "en-US"), ("fleet-dark", "/", "desktop", "dark", "en-US"),
        ("fleet-es", "/", "desktop", "light", "es-ES"), ("fleet-phone", "/", "phone", "light", "en-US"),
        ("skid", skid, "desktop", "light", "en-US"), ("skid-phone", skid, "phone", "dark", "en-US"),
        ("event", event, "desktop", "light", "en-US"), ("event-phone", event, "phone", "dark", "es-ES"),
        ("prompts", "/prompts", "desktop", "light", "en-US"), ("prompts-phone", "/prompts", "phone", "dark", "es-ES"),
        ("handover", "/handover", "desktop", "light", "en-US"),
        ("handover-phone", "/handover", "phone", "dark", "es-ES"),
        ("logbook", "/logbook", "desktop", "light", "en-US"), ("logbook-phone", "/logbook", "phone", "dark", "en-US"),
        ("logbook-write", "/logbook?write=lab", "phone", "light", "en-US"),
        ("report", report, "desktop", "light", "en-US"), ("report-phone", report, "phone", "dark", "es-ES"),
        ("export", "/export", "desktop", "light", "en-US"), ("export-phone", "/export", "phone", "dark", "en-US"),
        ("account", "/account", "phone", "light", "en-US"), ("users", "/users", "desktop", "light", "en-US"),
    ]  # fmt: skip


def _tank_pages(shared: Finding) -> list[Shot]:
    return [
        ("tanks", "/", "desktop", "light", "en-US"),
        ("tanks-event", f"/events/{shared.id}", "desktop", "dark", "en-US"),
    ]


def _draw(browser: Browser, address: str, secret: str, shots: list[Shot]) -> None:
    for name, path, size, scheme, language in shots:
        width, height = SIZES[size]
        context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme, locale=language)
        if secret:
            context.add_cookies([{"name": COOKIE, "value": secret, "url": address}])
        page = context.new_page()
        page.goto(address + path)
        page.wait_for_timeout(500)
        page.screenshot(path=OUT / f"{name}.png", full_page=name in WHOLE)
        with Image.open(OUT / f"{name}.png") as shot:
            top = shot.convert("RGB").crop((0, 0, shot.width, min(shot.height, TALLEST)))
            top.quantize(COLOURS, method=Image.Quantize.MAXCOVERAGE).save(OUT / f"{name}.png", optimize=True)
        context.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]) if len(sys.argv) > 2 else None)
