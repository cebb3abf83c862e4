"""The list of prompts: of skids, of tanks that skids share and of skidhand itself, each told in words and answered."""

from __future__ import annotations

import re
from datetime import timedelta
from uuid import uuid4

import pytest

from board.app import make_app
from skidhand.model.prompt import Answer
from skidhand.settings import Board
from tests.board import site
from tests.board.conftest import CHEAP, PASSWORD, client_of, csrf_of
from tests.board.test_pages import plain
from tests.board.test_tanks import text as with_tanks

FILLING = site.finding("tank-filling", "shared", "tansy-4", severity="high", cause=None)
BLIND = site.finding(run="blind")


@pytest.fixture
def asked(filled, tmp_path):
    """``asked("leo")``: a client of that user, where a pad's tank fills and skidhand has gone blind."""
    with site.logbook_of(str(tmp_path / "l.db"), with_tanks()) as book:
        silent = site.finding("sensor-frozen", "LT-900", "tansy-4", severity="low", cause=None)
        site.put(book, FILLING, silent)
        site.prompt(book, FILLING, "7001")
        site.prompt(book, BLIND, "7002", skid="", site="", findings=(), about="blind:ingest",
                    title="skidhand is blind: ingest silent since 08:00Z")  # fmt: skip
        for name, role, sites in (("leo", "look", None), ("ann", "answer", None), ("tia", "look", ["tansy-4"]),
                                  ("sol", "look", ["sorrel-2"])):  # fmt: skip
            book.users.add(name, role, sites, "robin" if name == "ann" else None)
            book.users.set_password(name, CHEAP.hash(PASSWORD))
        app = make_app(filled[1], book, Board(), site.clock())

        def made(name):
            client = client_of(app)
            assert client.post("/sign-in", data={"name": name, "password": PASSWORD}).status_code == 303
            return client

        made.book = book
        yield made


def test_prompts_of_shared_tanks_and_of_skidhand_itself_are_listed_to_who_may_see_them(asked):
    """On the page and in the API: the pad's to who sees the pad, skidhand's own to who sees all sites."""
    codes = {"leo": {"7001", "7002"}, "tia": {"7001"}, "sol": set()}
    for name, seen in codes.items():
        client = asked(name)
        page = plain(client.get("/prompts").text)
        assert {code for code in ("7001", "7002") if code in page} == seen, name
        assert {one["code"] for one in client.get("/api/v1/prompts").json()["items"]} == seen, name
        kinds = {one["kind"] for one in client.get("/api/v1/findings?skid=tansy-4").json()["items"]}
        assert kinds == ({"tank-filling", "sensor-frozen"} if seen else set()), name
    assert "Tansy 4 pad: Shared is filling up" in plain(asked("leo").get("/prompts").text)


def test_a_shared_tank_that_calls_is_in_the_headline_with_all_that_is_the_matter_at_its_site(asked):
    """A high call of a tank is not behind "nobody calls for help"; its level's frozen reading stands with it."""
    page = plain(asked("leo").get("/").text)
    assert "1 tank that skids share needs help." in page
    assert "Nobody calls for help." not in page
    assert re.search(r"Needs help : Shared is filling up, .*since 02:00 \(60 min\) and 1 more", page), page[-900:]
    (tank,) = asked("leo").get("/api/v1/fleet").json()["tanks"]
    assert [one["kind"] for one in tank["matters"]] == ["tank-filling", "sensor-frozen"]
    assert "Nobody calls for help." in plain(asked("sol").get("/").text)


def test_the_event_of_a_shared_tank_leads_to_no_skid_that_is_not_there(asked):
    """Its place is the pad by its name; there is no link to a skid's page."""
    page = asked("leo").get(f"/events/{FILLING.id}").text
    assert "Tansy 4 pad" in plain(page)
    assert "/skids/tansy-4" not in page


def test_a_prompt_without_a_page_of_its_own_is_answered_in_the_list(asked):
    """Who may answer takes skidhand's own prompt there; who looks has no button, and is refused."""
    ann, leo = asked("ann"), asked("leo")
    page = ann.get("/prompts").text
    found = asked.book.prompts.open()
    blind = next(one for one in found if one.code == "7002")
    assert "skidhand is blind: ingest silent since 08:00Z" in plain(page)
    path, said = f"/prompts/{blind.id}/answers", {"verb": "mine", "csrf": csrf_of(page)}
    assert path not in leo.get("/prompts").text
    assert leo.post(path, data=said).status_code == 403
    assert ann.post(path, data={**said, "csrf": "no"}).status_code == 403
    assert ann.post(path, data=said).status_code == 303
    assert [(one.who, one.verb) for one in asked.book.answers.to("7002")] == [("robin", "mine")]


def test_an_events_page_tells_no_answer_to_another_prompt_that_had_its_code(signed_in, logbook):
    """Codes are used again after half a year; page and API tell what was said to this prompt alone."""
    at = site.finding().detected
    for who, days in (("jo", -200), ("sam", 0)):
        said = Answer(
            id=uuid4(), at=at + timedelta(days=days, minutes=1), who=who, code="4821", verb="mine", channel="x"
        )
        logbook.answers.add(said)
    leo = signed_in("leo")
    page = plain(leo.get(f"/events/{site.finding().id}").text)
    assert ("sam (x)" in page, "jo (x)" in page) == (True, False)
    (mine,) = [one for one in leo.get("/api/v1/prompts").json()["items"] if one["code"] == "4821"]
    assert [one["who"] for one in leo.get(f"/api/v1/prompts/{mine['id']}").json()["answers"]] == ["sam"]


def test_a_skids_marks_name_a_prompt_with_its_matter_its_state_and_a_link(signed_in):
    """Not a bare number: what it is about, how it stands, and where to read on."""
    page = signed_in("leo").get("/skids/tf-1").text
    told = "prompt 4821: The split of cyclone has drifted, probably the reject plugging"
    assert told in plain(page)
    assert "(not acknowledged)" in plain(page)
    assert f'<a href="/events/{site.finding().id}">prompt 4821' in page
