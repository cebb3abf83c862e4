"""The board in a real browser: every page on a phone and a desktop, by keyboard, with axe looking on."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from uuid import uuid4

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

from board.serve import served
from skidhand.clock import WallClock
from skidhand.fleet import parse_fleet
from skidhand.logbook import Logbook
from skidhand.model.entry_kinds import make_entry
from skidhand.model.samples import micros, table
from skidhand.settings import Board
from skidhand.stores.base import Batch
from skidhand.stores.memory import MemoryStore
from tests.board import site
from tests.board.conftest import CHEAP, PASSWORD
from tests.board.test_tanks import text as with_tanks
from tests.support.needs import missing

CHROMIUM = shutil.which("chromium")
SIZES = {"phone": {"width": 390, "height": 844}, "desktop": {"width": 1280, "height": 900}}
SPLIT = site.finding()
REPORT = "/report?of=skid+tf-1&period=2026-03-04"
DESK_PAGES = ["/handover", "/logbook", REPORT, "/export"]
OPEN_PAGES = ["/", "/prompts", "/skids/tf-1", f"/events/{SPLIT.id}", "/account", *DESK_PAGES, "/skids/none"]
MANY = [(f"s-{n}", f"Skid {n}", "tansy-4" if n % 2 else "sorrel-2") for n in range(1, 301)]
WIRE = 200_000
GRAVE = {"serious", "critical"}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, driven; nothing is downloaded."""
    if CHROMIUM is None:
        missing("chromium", "chromium")
    with sync_playwright() as driver:
        yield driver.chromium.launch(executable_path=CHROMIUM)


@pytest.fixture(scope="module")
def stack() -> Iterator[ExitStack]:
    """What the servers hold, let go at the end."""
    with ExitStack() as held:
        yield held


def board(stack: ExitStack, path: Path, text: str, store: MemoryStore, **settings: object) -> tuple[str, Logbook]:
    """A served board over that fleet; its address and its logbook."""
    book = stack.enter_context(site.logbook_of(str(path), text))
    return stack.enter_context(served(store, book, Board(port=0, **settings), site.clock())), book


@pytest.fixture(scope="module")
def three(stack, tmp_path_factory) -> tuple[str, Logbook]:
    """Three skids, open to whoever is on this host."""
    store = MemoryStore()
    site.fill(store, [skid for skid, *_ in site.THREE])
    path = tmp_path_factory.mktemp("three") / "l.db"
    address, book = board(stack, path, site.fleet_text(site.THREE), store, open=True)
    site.put(book, SPLIT, site.rise("tf-2"))
    site.prompt(book, SPLIT)
    return address, book


@pytest.fixture(scope="module")
def users(stack, tmp_path_factory) -> tuple[str, Logbook]:
    """The same with users."""
    store = MemoryStore()
    site.fill(store, ["tf-1"], hours=1)
    path = tmp_path_factory.mktemp("users") / "l.db"
    address, book = board(stack, path, site.fleet_text(site.THREE[:1]), store)
    site.put(book, SPLIT)
    site.prompt(book, SPLIT)
    book.users.add("ada", "admin", None, "robin")
    book.users.set_password("ada", CHEAP.hash(PASSWORD))
    return address, book


def opened(browser: Browser, size: str, scheme: str = "light", language: str = "en-US") -> tuple[Page, list[str]]:
    """A page of that size, and what it complained of: errors, and requests to any other host."""
    page = browser.new_context(viewport=SIZES[size], color_scheme=scheme, locale=language).new_page()
    told: list[str] = []
    page.on("console", lambda said: told.append(said.text) if said.type == "error" else None)
    page.on("pageerror", lambda error: told.append(str(error)))
    page.on("dialog", lambda dialog: (told.append(f"dialog {dialog.message}"), dialog.dismiss()))
    page.on("request", lambda r: told.append(f"asked {r.url}") if "127.0.0.1" not in r.url else None)
    return page, told


def grave(page: Page) -> list[str]:
    """What axe finds serious or worse."""
    found = Axe().run(page).response["violations"]
    return [f"{one['id']}: {one['nodes'][0]['html']}" for one in found if one["impact"] in GRAVE]


def looked_at(page: Page, told: list[str], address: str, path: str, *, expected: int = 200) -> None:
    """Open it and judge it: status, complaints, width, axe."""
    answer = page.goto(address + path)
    assert answer.status == expected
    quiet = [line for line in told if not (expected >= 400 and "Failed to load resource" in line)]
    assert quiet == []
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"], path
    assert grave(page) == [], path


def test_what_is_unfit_would_be_told(browser, three):
    """The judge above sees a picture without words and a request to elsewhere."""
    page, told = opened(browser, "phone")
    page.goto(f"{three[0]}/account")
    page.evaluate("document.querySelector('main').append(document.createElement('img'))")
    page.evaluate("document.querySelector('img').src = 'http://elsewhere.invalid/x.png'")
    assert any(one.startswith("image-alt") for one in grave(page))
    assert any("elsewhere.invalid" in line for line in told)
    page.context.close()


@pytest.mark.parametrize(("size", "scheme", "language"), [("phone", "dark", "es-ES"), ("desktop", "light", "en-US")])
def test_every_page_fits_and_is_fit_for_all(browser, three, size, scheme, language):
    """No error, no scrolling sideways (Spanish is longer), nothing from elsewhere, nothing that axe finds serious."""
    page, told = opened(browser, size, scheme, language)
    for path in OPEN_PAGES:
        looked_at(page, told, three[0], path, expected=404 if path == "/skids/none" else 200)
        told.clear()
    page.context.close()


def test_signing_in_answering_and_users_by_keyboard_alone(browser, users):
    """Sign in, open what is worst, take it, and see the answer wait; the administrator's pages are fit too."""
    address, book = users
    page, told = opened(browser, "desktop")
    looked_at(page, told, address, "/sign-in")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.get_by_label("Name").focus()
    page.keyboard.type("ada")
    page.keyboard.press("Tab")
    page.keyboard.type(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url(f"{address}/")
    page.locator(".why a").first.focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/events/**")
    page.get_by_role("button", name="I take it").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**said=yes**")
    assert "robin (board)" in page.locator("#content").inner_text()
    assert [(one.verb, one.who, one.channel) for one in book.answers.to("4821")] == [("mine", "robin", "board")]
    for path in ("/users", "/audit", f"/events/{SPLIT.id}", "/handover", "/logbook", "/logbook?write=lab"):
        looked_at(page, told, address, path)
    page.set_viewport_size(SIZES["phone"])
    for path in ("/users", f"/events/{SPLIT.id}", "/logbook?write=work"):
        looked_at(page, told, address, path)
    page.context.close()


def test_a_trend_is_read_by_arrow_keys(browser, three):
    """In a plot, left goes to the minutes before, and says values with their time."""
    page, told = opened(browser, "desktop")
    page.goto(f"{three[0]}/skids/tf-1?tag=PDT-301&span=1h")
    page.locator(".plot[data-values]").focus()
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("ArrowLeft")
    assert "PDT-301 " in page.locator(".readout").inner_text()
    assert told == []
    page.context.close()


def test_the_fleet_page_follows_by_itself(browser, three):
    """When somebody takes what stood worst, the open page says so without being loaded again."""
    address, book = three
    page, told = opened(browser, "desktop")
    page.goto(address)
    page.evaluate("window.same = true")
    page.wait_for_timeout(1500)  # the stream's first event, which tells the page nothing new
    site.prompt(book, SPLIT, state="acknowledged", taken_by="robin")
    page.get_by_text("robin has it").wait_for(timeout=15_000)
    assert page.evaluate("window.same") is True
    assert told == []
    site.prompt(book, SPLIT)
    page.context.close()


def test_a_wall_screen_is_read_from_afar(browser, three):
    """On a wall's width letters are half as large again as at a desk, and the list fills the screen without a pan."""
    page, told = opened(browser, "desktop")
    looked_at(page, told, three[0], "/")
    size = "parseFloat(getComputedStyle(document.querySelector('.first')).fontSize)"
    desk = page.evaluate(size)
    page.set_viewport_size({"width": 3840, "height": 2160})
    assert page.evaluate(size) == pytest.approx(1.5 * desk)
    assert page.evaluate("document.documentElement.scrollWidth") <= 3840
    assert page.locator(".line").last.is_visible()
    page.context.close()


def test_a_shared_tank_that_calls_is_whole_on_a_phone(browser, stack, tmp_path_factory):
    """Its call lies within the phone's width, on the fleet's page and on that of a skid that shares it."""
    store = MemoryStore()
    site.fill(store, ["tf-1"], hours=1)
    at = micros(site.NOW)
    store.write(Batch(writer=str(uuid4()), number=1, digest="t", samples=table([("tansy-4/LT-900", at, 3.0, 0, at)])))
    address, book = board(stack, tmp_path_factory.mktemp("tank") / "l.db", with_tanks(), store, open=True)
    site.put(book, site.finding("tank-filling", "shared", "tansy-4", severity="high", cause=None))
    page, told = opened(browser, "phone", language="es-ES")
    for path in ("/", "/skids/tf-1"):
        looked_at(page, told, address, path)
        box = page.locator(".tanks a").bounding_box()
        assert box["x"] + box["width"] <= SIZES["phone"]["width"], path
    page.context.close()


def test_hostile_names_run_nothing(browser, stack, tmp_path_factory):
    """A skid that is called like a script opens no dialog and breaks no page."""
    store = MemoryStore()
    site.fill(store, ["tf-1"], hours=1)
    text = site.fleet_text([("tf-1", site.HOSTILE, "tansy-4")], name=site.HOSTILE)
    address, book = board(stack, tmp_path_factory.mktemp("bad") / "l.db", text, store, open=True)
    bad = site.finding(first_step=site.HOSTILE)
    site.put(book, bad)
    page, told = opened(browser, "phone")
    book.entries.add(make_entry("note", site.NOW, "robin", skid="tf-1", text=site.HOSTILE, data={}))
    for path in ("/", "/skids/tf-1", f"/events/{bad.id}", *DESK_PAGES):
        looked_at(page, told, address, path)
    page.goto(f"{address}/logbook")
    assert site.HOSTILE in page.inner_text("main")
    page.context.close()


def test_a_dead_ingest_is_seen_first(browser, stack, tmp_path_factory):
    """The trouble stands above the list, as an alert."""
    book = stack.enter_context(Logbook(str(tmp_path_factory.mktemp("dead") / "l.db")))
    book.fleets.apply(parse_fleet(site.fleet_text(site.THREE)), effective=WallClock().now(), who="test")
    address = stack.enter_context(served(MemoryStore(), book, Board(port=0, open=True), WallClock()))
    page, told = opened(browser, "desktop")
    for path in (*DESK_PAGES, "/"):
        looked_at(page, told, address, path)
    alert = page.get_by_role("alert")
    assert "No ingest has ever reported" in alert.inner_text()
    assert alert.bounding_box()["y"] < page.locator(".lines").bounding_box()["y"]
    page.context.close()


@pytest.mark.slow
def test_three_hundred_skids_are_one_page(browser, stack, tmp_path_factory):
    """At most 200 kB on the wire with style and script, the worst on top, and a skid is found by its name."""
    store = MemoryStore()
    site.fill(store, [skid for skid, *_ in MANY], hours=24, step_s=1800)
    address, book = board(stack, tmp_path_factory.mktemp("many") / "l.db", site.fleet_text(MANY), store, open=True)
    site.put(book, *(site.finding(skid=skid, severity="high" if n == 7 else "medium")
                     for n, (skid, *_) in enumerate(MANY[:40])))  # fmt: skip
    page, told = opened(browser, "phone")
    looked_at(page, told, address, "/")
    assert page.locator(".line").count() == 300
    assert "Skid 8 " in page.locator(".line").first.inner_text()
    packed = {"accept-encoding": "gzip"}
    parts = page.evaluate("[...document.querySelectorAll('link[rel=stylesheet], script, link[rel=icon]')]"
                          ".map((one) => one.src || one.href)")  # fmt: skip
    with httpx.Client(headers=packed) as client:
        wire = 0
        for part in (address, *parts):
            with client.stream("GET", part) as answer:
                wire += sum(len(chunk) for chunk in answer.iter_raw())
    assert wire <= WIRE
    page.get_by_label("Skid or site").fill("skid 123")
    assert page.locator(".line:visible").count() == 1
    for path in ("/handover", "/logbook", "/report", "/export"):
        looked_at(page, told, address, path)
    page.context.close()
