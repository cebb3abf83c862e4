"""What pages say: the worst first, why, since when, and what of the house itself does not work."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest

from board.app import make_app
from board.words import languages, words_in
from skidhand import plugins
from skidhand.clock import WallClock
from skidhand.fleet import parse_fleet
from skidhand.logbook import Logbook
from skidhand.model.heartbeat import Heartbeat
from skidhand.model.kinds import KINDS
from skidhand.settings import Board
from skidhand.stores.memory import MemoryStore
from tests.board import site
from tests.board.conftest import client_of


def plain(text: str) -> str:
    """What is read: tags away, spaces as one."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", text.partition("<main")[2]))


def test_the_fleet_says_worst_first_what_is_the_matter_and_since_when(signed_in):
    """Skid 1 needs help and why; skid 2's wash with the time left; skid 3 as usual. In the sites' own time."""
    text = plain(signed_in("leo").get("/").text)
    assert "2 skids of 3 need help." in text
    first, second, third = (text.index(f"Skid {n} ") for n in (1, 2, 3))
    assert first < second < third
    assert "The split of cyclone has drifted, probably the reject plugging" in text[first:second]
    assert "1.89 % (usual 3)" in text[first:second]
    assert "since 02:00 (60 min)" in text[first:second]
    assert "Filter-a wants a backwash, pressure drop 9.7 psi (limit 12) , expected about 04:00 (in 2 h)" in text
    assert "in 2 h 03:00 to 05:00" in text[second:third]
    assert "8" in text[third:]
    assert "of 20 mg/L 1h mean" in text[third:]
    assert "Nothing stands out." in text[third:]


def test_what_is_in_hand_shelved_or_out_of_service_stands_behind_what_nobody_has(filled, logbook):
    """The same finding goes down the list as people take it, and says who has it or until when."""
    split = site.finding()
    for state, changes, word in (
        ("acknowledged", {"taken_by": "robin"}, "robin has it"),
        ("shelved", {"shelved_until": site.NOW + timedelta(hours=2)}, "shelved until 05:00"),
        ("out-of-service", {}, "Out of service"),
    ):
        site.prompt(logbook, split, state=state, **changes)
        app = make_app(filled[1], logbook, Board(), site.clock())
        lines = app.state.house.summary.get().lines
        assert next(line.skid.id for line in lines) == "tf-2"
        client = client_of(app)
        client.post("/sign-in", data={"name": "leo", "password": "a long enough secret"})
        assert word in plain(client.get("/").text)


def test_a_controllers_own_wash_calls_nobody(filled, tmp_path):
    """The forecast of a filter that its controller washes stands with the facts; the skid is as usual."""
    with site.logbook_of(str(tmp_path / "l.db"), site.fleet_text(site.THREE, by="controller")) as book:
        rise = site.rise("tf-2")
        site.put(book, rise)
        site.prompt(book, rise, route="desk")
        text = plain(client_of(make_app(filled[1], book, Board(open=True), site.clock())).get("/").text)
    assert "Nobody calls for help." in text
    assert "in 2 h" in text


def test_a_skid_whose_data_stop_is_late_before_anybody_calls_it_silent(tmp_path):
    """Ten minutes without a sample, or none ever, stand above what is well, and say so."""
    store = MemoryStore()
    site.fill(store, ["tf-1"], until=site.NOW - timedelta(minutes=20))
    site.fill(store, ["tf-2"])
    with site.logbook_of(str(tmp_path / "l.db"), site.fleet_text(site.THREE)) as book:
        app = make_app(store, book, Board(open=True), site.clock())
        lines = app.state.house.summary.get().lines
        text = plain(client_of(app).get("/").text)
    assert [(line.skid.id, line.state) for line in lines] == [("tf-3", "unseen"), ("tf-1", "late"), ("tf-2", "well")]
    assert "2 skids cannot be seen." in text
    assert "The last sample is 20 min old" in text
    assert "No sample of it has ever arrived" in text


def test_a_dead_ingest_is_told_on_top(filled, tmp_path):
    """On the machine's clock: a service that is silent is named, so that a quiet page deceives nobody."""
    with Logbook(str(tmp_path / "l.db")) as book:
        now = WallClock().now()
        book.fleets.apply(parse_fleet(site.fleet_text(site.THREE)), effective=now, who="test")
        client = client_of(make_app(filled[1], book, Board(open=True), WallClock()))
        assert "No ingest has ever reported" in plain(client.get("/").text)
        beat = {"instance": "x", "version": "1", "at": now}
        for service in ("ingest", "analyze", "alerts"):
            book.heartbeats.beat(Heartbeat(service=service, **beat))
        client = client_of(make_app(filled[1], book, Board(open=True), WallClock()))
        assert 'role="alert"' not in client.get("/").text
        book.heartbeats.beat(Heartbeat(service="ingest", **{**beat, "at": now - timedelta(hours=3)}))
        client = client_of(make_app(filled[1], book, Board(open=True), WallClock()))
        assert "Ingest has been silent for 3 h" in plain(client.get("/").text)


def test_hostile_names_are_only_text(tmp_path):
    """A skid, fleet or finding that is called like a script is shown, never run, on every page."""
    store = MemoryStore()
    site.fill(store, ["tf-1"], hours=1)
    with site.logbook_of(
        str(tmp_path / "l.db"), site.fleet_text([("tf-1", site.HOSTILE, "tansy-4")], name=site.HOSTILE)
    ) as book:
        bad = site.finding(first_step=site.HOSTILE, unit="cyclone", cause=site.HOSTILE, cause_class="process")
        site.put(book, bad)
        site.prompt(book, bad, title=site.HOSTILE)
        client = client_of(make_app(store, book, Board(open=True), site.clock()))
        for path in ("/", "/prompts", "/skids/tf-1", f"/events/{bad.id}"):
            text = client.get(path).text
            assert "<script>alert" not in text, path
            assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text, path
            assert "{{7*7}}" in text, path


def test_a_browser_that_has_the_page_gets_none(signed_in, logbook):
    """ETag: unchanged is 304; what alerts changes is a new page."""
    mine = signed_in("leo")
    tag = mine.get("/").headers["etag"]
    assert mine.get("/", headers={"if-none-match": tag}).status_code == 304
    site.prompt(logbook, site.finding(), state="acknowledged")
    mine.app.state.house.summary.refresh()
    assert mine.get("/", headers={"if-none-match": tag}).status_code == 200


def test_the_event_has_all_that_is_needed_and_cuts_no_caution(signed_in):
    """Cause, evidence, what was ruled out, first step, every caution in full, message log, answers."""
    text = plain(signed_in("ann").get(f"/events/{site.finding().id}").text)
    t = words_in("en")
    for code in ("pressure", "auto-start", "h2s"):
        assert t.hazards[code].replace("'", "&#39;") in text
    for part in ("probably the reject plugging", "Suggest checking the reject ports, per site procedure.",
                 "flow is as learnt", "reject share", "1.89 %", "raised", "I take it", "Shelve"):  # fmt: skip
        assert part in text, part


def test_under_a_gas_alarm_nobody_is_sent(tmp_path, filled):
    """The first step gives way to: do not approach."""
    with site.logbook_of(str(tmp_path / "l.db"), site.fleet_text(site.THREE)) as book:
        gas = site.finding(hazards=("gas-alarm",))
        site.put(book, gas)
        text = plain(client_of(make_app(filled[1], book, Board(open=True), site.clock())).get(f"/events/{gas.id}").text)
    assert "do not approach" in text
    assert "Suggest checking" not in text


def test_the_skid_page_shows_values_units_and_quality_in_flow_order(signed_in):
    """Newest readings by unit; a Bad one shows no number; what is watched and what is not."""
    text = plain(signed_in("leo").get("/skids/tf-3").text)
    assert re.search(r"skid .* cyclone .* filter-a .* outlet", text)
    assert "4 psi good" in text
    assert "running" in text
    assert "no value bad" in text
    assert "watched: " in text
    assert "not watched: " in text


@pytest.mark.parametrize("query", ["span=2d", "tag=NONE", "end=never", "end=2300-01-01T00:00:00Z"])
def test_a_wrong_wish_is_told_not_guessed(signed_in, query):
    """An unknown span, tag or time is an error that says what there is."""
    assert signed_in("leo").get(f"/skids/tf-1?{query}").status_code == 422


def test_languages_have_the_same_words():
    """Each language says everything, gaps included: texts, kinds, causes, cautions."""
    assert languages() == ("en", "es")
    english = words_in("en")
    for t in map(words_in, languages()):
        for words, mine in ((english.texts, t.texts), (english.kinds, t.kinds), (english.causes, t.causes)):
            assert words.keys() == mine.keys()
            for key, text in words.items():
                assert sorted(re.findall(r"{(\w+)}", text)) == sorted(re.findall(r"{(\w+)}", mine[key])), key
        assert english.hazards.keys() == t.hazards.keys()
        assert (len(t.weekdays), len(t.months)) == (7, 12)


def test_every_kind_cause_and_hazard_has_words():
    """What the trade's lists name is said in words, not in codes."""
    t = words_in("en")
    assert set(KINDS) <= set(t.kinds)
    assert {cause for kind in KINDS.values() for cause, _ in kind.causes} <= set(t.causes)
    types = (plugin.member for plugin in plugins.load("unit_type").values())
    hazards = {code for one in types for code in one.hazards} | {code for k in KINDS.values() for code in k.hazards}
    assert hazards <= set(t.hazards)


def test_spanish_is_spoken_where_the_browser_asks_or_the_viewer_chose(signed_in):
    """Accept-Language first, a choice above it."""
    mine = signed_in("leo")
    assert "necesitan ayuda" in mine.get("/", headers={"accept-language": "es-MX,es;q=0.9"}).text
    mine.get("/language/es")
    assert '<html lang="es">' in mine.get("/", headers={"accept-language": "en"}).text
