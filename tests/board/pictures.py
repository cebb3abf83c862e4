"""The pictures in docs/board: ``python -m tests.board.pictures FOLDER``, a folder that the demo left."""

from __future__ import annotations

import sys
from contextlib import closing
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

from board.serve import served
from skidhand.logbook import Logbook
from skidhand.settings import Board
from skidhand.stores import open_store

OUT = Path(__file__).parents[2] / "docs" / "board"
COLOURS = 160
TALLEST = 1700
SIZES = {"desktop": (1280, 800), "phone": (390, 844)}


def main(folder: Path) -> None:
    """One picture a page, few colours, at most 150 kB each."""
    with (
        Logbook(str(folder / "logbook.db")) as book,
        closing(open_store(str(folder / "lake"))) as store,
        served(store, book, Board(port=0, open=True), book.open_clock("stream")) as address,
        sync_playwright() as driver,
    ):
        drawn = [one for one in book.analysis.current() if one.evidence.traces]
        worst = max(drawn, key=lambda one: (one.state == "open", one.severity == "high", one.onset))
        event = f"/events/{worst.id}"
        skid = f"/skids/{worst.skid}"
        report = f"/report?of=skid+{worst.skid}&period={worst.onset:%Y-%m-%d}"
        browser = driver.chromium.launch(executable_path="/usr/bin/chromium")
        for name, path, size, scheme, language in (
            ("fleet", "/", "desktop", "light", "en-US"), ("fleet-dark", "/", "desktop", "dark", "en-US"),
            ("fleet-es", "/", "desktop", "light", "es-ES"), ("fleet-phone", "/", "phone", "light", "en-US"),
            ("skid", skid, "desktop", "light", "en-US"), ("skid-phone", skid, "phone", "dark", "en-US"),
            ("event", event, "desktop", "light", "en-US"), ("event-phone", event, "phone", "light", "en-US"),
            ("prompts", "/prompts", "desktop", "light", "en-US"), ("account", "/account", "phone", "light", "en-US"),
            ("handover", "/handover", "desktop", "light", "en-US"),
            ("handover-phone", "/handover", "phone", "dark", "es-ES"),
            ("logbook", "/logbook", "desktop", "light", "en-US"),
            ("logbook-phone", "/logbook", "phone", "dark", "en-US"),
            ("report", report, "desktop", "light", "en-US"), ("report-phone", report, "phone", "dark", "es-ES"),
            ("export", "/export", "desktop", "light", "en-US"), ("export-phone", "/export", "phone", "dark", "en-US"),
        ):  # fmt: skip
            width, height = SIZES[size]
            context = browser.new_context(
                viewport={"width": width, "height": height}, color_scheme=scheme, locale=language
            )
            page = context.new_page()
            page.goto(address + path)
            page.wait_for_timeout(500)
            page.screenshot(path=OUT / f"{name}.png", full_page=name in ("skid", "event", "handover", "report"))
            with Image.open(OUT / f"{name}.png") as shot:
                top = shot.convert("RGB").crop((0, 0, shot.width, min(shot.height, TALLEST)))
                top.quantize(COLOURS, method=Image.Quantize.MAXCOVERAGE).save(OUT / f"{name}.png", optimize=True)
            context.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
