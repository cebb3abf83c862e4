"""Tanks, learning and what is not watched: the pages and the API say the same, each viewer sees their own sites'."""

from __future__ import annotations

import uuid
from datetime import timedelta

import pytest

from board.app import make_app
from board.viewer import Viewer
from skidhand.fleet import parse_fleet
from skidhand.logbook.analysis import Standing, Worked
from skidhand.model.entry import Entry
from skidhand.model.entry_kinds import make_entry
from skidhand.model.samples import micros, table
from skidhand.model.watched import Learning, NotWatched, Watched
from skidhand.settings import Board
from skidhand.stores.base import Batch
from skidhand.stores.memory import MemoryStore
from tests.board import site
from tests.board.conftest import CHEAP, PASSWORD, client_of
from tests.board.test_pages import plain

MOVED = site.NOW - timedelta(days=3)
TANK = """timezone: America/Chicago
    instruments: {LT-900: {unit: m, range: [0, 4], period: 60}}
    units:
      - {id: shared, type: buffer_tank, holds: treated-water, roles: {level: LT-900}, params: {area: 20, height: 4}}
  - {id: sorrel-2"""
DRUM = "      LT-401: {unit: m, range: [0, 1], period: 60}\n    units:\n"


def text() -> str:
    """Skid 1 with a drum beside a tank that the pad shares; skid 2 stood there too, and moved away."""
    made = site.fleet_text(site.THREE).replace("  - {id: tansy-4, name: Tansy 4 pad, timezone: America/Chicago}\n"
        "  - {id: sorrel-2", "  - id: tansy-4\n    name: Tansy 4 pad\n    " + TANK)  # fmt: skip
    made = made.replace("    units:\n      - {id: skid,", DRUM + "      - {id: skid,", 1)
    made = made.replace("      - {id: outlet,", "      - {id: caustic, type: chemical, roles: {level: LT-401}}\n"
        "      - {id: outlet,", 1)  # fmt: skip
    return made.replace("[{site: sorrel-2, from: 2026-01-15}]", "[{site: tansy-4, from: 2026-01-15, to: 2026-02-27}, "
        f"{{site: sorrel-2, from: {MOVED:%Y-%m-%d}}}]")  # fmt: skip


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """``told("leo")``: a client of that user, on a board with a tank that fills and a skid that learns."""
    store, rows = MemoryStore(), []
    site.fill(store, ["tf-1", "tf-2", "tf-3"], hours=1)
    for minute in range(0, 24 * 60, 10):
        at = micros(site.NOW - timedelta(minutes=minute))
        if minute < 180:
            rows.append(("tansy-4/LT-900", at, 3.0 - 0.2 * minute / 60, 0, at))
        rows.append(("tf-1/LT-401", at, 0.3 + 0.01 * minute / 60, 0, at))
    store.write(Batch(writer=str(uuid.uuid4()), number=1, digest="t", samples=table(rows)))
    since = site.NOW - timedelta(hours=5)
    learns = Learning(unit="cyclone", detector="x", kinds=("split-drift",), why="part", what="liners", since=since,
                      done=6, of=24, measure="h", not_before=site.NOW + timedelta(hours=18))  # fmt: skip
    nameless = learns.model_copy(update={"unit": "skid", "detector": "y", "kinds": ("unusual-pattern",), "done": 1.0})
    slow = NotWatched(since=since, flow=3.0, least=8.0, unit="[gal_us]/min")
    with site.logbook_of(str(tmp_path_factory.mktemp("tanks") / "l.db"), text()) as book:
        site.put(book, site.finding("tank-filling", "shared", "tansy-4", severity="medium"))
        for watched in (Watched(skid="tf-1", at=site.NOW, learning=(learns, nameless)),
                        Watched(skid="tf-2", at=site.NOW, learning=(nameless,)),
                        Watched(skid="tf-3", at=site.NOW, not_watched=slow)):  # fmt: skip
            assert book.leases.take(f"analyze:{watched.skid}", "test")
            done = Worked(Standing(watched.skid, None, site.NOW, b""), watched=watched)
            assert book.analysis.commit(done, owner="test") == {}
        for name, role, sites in (("leo", "look", None), ("tia", "look", ["tansy-4"]), ("sol", "look", ["sorrel-2"]),
                                  ("cus", "customer", ["tansy-4"])):  # fmt: skip
            book.users.add(name, role, sites, None)
            book.users.set_password(name, CHEAP.hash(PASSWORD))
        app = make_app(store, book, Board(), site.clock())

        def made(name):
            client = client_of(app)
            assert client.post("/sign-in", data={"name": name, "password": PASSWORD}).status_code == 303
            return client

        yield made


def test_a_shared_tank_and_its_finding_stand_on_the_fleet_page_of_who_may_see_the_site(told):
    """The pad's tank with its share, its time left and what is called of it; not for other sites, nor for customers."""
    for name in ("leo", "tia"):
        page = told(name).get("/").text
        assert "Tansy 4 pad shared treated water" in plain(page), name
        assert f"/events/{site.finding('tank-filling', 'shared', 'tansy-4').id}" in page, name
        assert "full in" in plain(page), name
    for name in ("sol", "cus"):
        assert "LT-900" not in (page := told(name).get("/").text), name
        assert "treated water" not in plain(page), name


def test_learning_and_not_watched_are_told_on_the_fleet_skid_and_handover_pages(told):
    """What is learnt, why, how far; a skid below its least flow is not watched now and says so, not as usual."""
    leo = told("leo")
    fleet = plain(leo.get("/").text)
    assert "Not watched now" in fleet
    assert "Still learning cyclone: new liners, 6 of 24" in fleet
    assert "0 in hand, 0 to watch, 1 as usual. 2 learning, not watched now" in fleet
    assert "Flow 3 is below 8 gpm" in fleet
    assert "flow 3 is below 8 gpm" in plain(leo.get("/skids/tf-3").text)
    skid, hand = plain(leo.get("/skids/tf-1").text), plain(leo.get("/handover").text)
    for page in (skid, hand):
        assert "6 of 24" in page
        assert "split drift" in page
        assert "shared treated water" in page
        assert "caustic" in page
    assert "flow 3 is below 8 gpm" in hand


def test_the_handover_brings_no_other_sites_past_along_with_a_skid(tmp_path):
    """Skid 2 stood on another pad a week ago: its new pad's shift reads neither prompt nor work nor note of then."""
    then = site.NOW - timedelta(days=8)
    with site.logbook_of(str(tmp_path / "l.db"), text()) as book:
        book.entries.add(Entry(id=uuid.uuid4(), at=then, kind="handover", who="robin"))
        old, new = (site.finding("dp-rise", "filter-a", "tf-2", run=s, site=s) for s in ("tansy-4", "sorrel-2"))
        site.put(book, old, new)
        site.prompt(book, old, "7001", state="returned-unacknowledged", created=then)
        site.prompt(book, new, "7002")
        for at, what in ((then, "stator"), (site.NOW - timedelta(hours=2), "liner")):
            data = {"unit_id": "cyclone", "resets": what}
            book.entries.add(make_entry("work", at, "robin", skid="tf-2", text="", data=data))
            book.entries.add(make_entry("note", at, "robin", skid="tf-2", text=f"note of a {what}", data={}))
        book.entries.add(make_entry("note", site.NOW, "robin", skid=None, text="for every site", data={}))
        pages = {}
        for name, sites in (("leo", None), ("sol", ["sorrel-2"])):
            book.users.add(name, "look", sites, None)
            book.users.set_password(name, CHEAP.hash(PASSWORD))
            client = client_of(make_app(MemoryStore(), book, Board(), site.clock()))
            client.post("/sign-in", data={"name": name, "password": PASSWORD})
            pages[name] = plain(client.get("/handover").text)
    for told in ("7001", "cyclone: stator", "note of a stator", "for every site"):
        assert told in pages["leo"], told
        assert told not in pages["sol"], told
    for told in ("7002", "cyclone: liner", "note of a liner"):
        assert told in pages["sol"], told


def test_the_api_carries_tanks_learning_and_what_is_not_watched(told):
    """What the pages say in words, as numbers: the level, its share, hours left, and what is learnt how far."""
    leo = told("leo")
    (tank,) = leo.get("/api/v1/fleet").json()["tanks"]
    assert (tank["place"], tank["unit"], tank["end"], tank["unit_code"]) == ("tansy-4", "shared", "full", "m")
    assert tank["level"] == pytest.approx(3.0, abs=0.1)
    assert tank["hours"] == pytest.approx(5.0, abs=0.5)
    assert [one["kind"] for one in tank["matters"]] == ["tank-filling"]
    one = leo.get("/api/v1/skids/tf-1").json()
    assert {(t["place"], t["unit"], t["end"]) for t in one["tanks"]} == {
        ("tansy-4", "shared", "full"), ("tf-1", "caustic", "empty")}  # fmt: skip
    learns, _ = one["learning"]
    assert (learns["unit"], learns["what"], learns["done"], learns["of"]) == ("cyclone", "liners", 6, 24)
    assert one["not_watched"] is None
    skids = {one["id"]: one for one in leo.get("/api/v1/skids").json()["items"]}
    assert skids["tf-3"]["not_watched"]["least"] == 8
    assert skids["tf-3"]["state"] == "unwatched"


def test_the_api_gives_each_viewer_the_tanks_of_their_sites_alone(told):
    """Another site's viewer has no tank of the pad; a customer has neither tanks nor learning."""
    assert len(told("tia").get("/api/v1/fleet").json()["tanks"]) == 1
    sol, cus = told("sol"), told("cus")
    for mine in (sol, cus):
        assert mine.get("/api/v1/fleet").json()["tanks"] == []
    assert sol.get("/api/v1/skids/tf-1").status_code == 404
    assert sol.get("/api/v1/skids/tf-2").json()["tanks"] == []
    hidden = cus.get("/api/v1/skids/tf-1").json()
    assert (hidden["tanks"], hidden["learning"], hidden["not_watched"]) == ([], [], None)


def test_a_skid_that_moved_away_is_seen_only_while_it_stood_there(told):
    """Its present is the new site's business: not on the old site's fleet page or API, its past alone may be seen."""
    fleet = parse_fleet(text()).fleet
    skid = fleet.skid("tf-2")
    (_, gone), (came, _) = (fleet.placement_span(one) for one in skid.placements)
    old = Viewer("tia", "look", frozenset({"tansy-4"}))
    new = Viewer("sol", "look", frozenset({"sorrel-2"}))
    moments = (gone - timedelta(microseconds=1), gone, came - timedelta(microseconds=1), came, site.NOW)
    assert [old.sees_at(fleet, skid, at) for at in moments] == [True, False, False, False, False]
    assert [new.sees_at(fleet, skid, at) for at in moments] == [False, False, False, True, True]
    tia, sol = told("tia"), told("sol")
    assert "Skid 2" not in plain(tia.get("/").text)
    assert tia.get("/api/v1/skids/tf-2").status_code == 404
    assert [one["id"] for one in sol.get("/api/v1/skids").json()["items"]] == ["tf-2"]
    seen = tia.get("/skids/tf-2")
    assert seen.status_code == 200
    assert "40.3 gpm" not in plain(seen.text)
    assert "8 mg/L" not in plain(seen.text)
