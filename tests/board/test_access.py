"""Who may do what, and that every write leaves a trace."""

from __future__ import annotations

import re
from uuid import uuid4

import pytest

from board.app import make_app
from board.pages.sign_in import hasher
from skidhand.clock import WallClock
from skidhand.settings import Board
from tests.board import site
from tests.board.conftest import PASSWORD, client_of, csrf_of

PAGES = ["/", "/prompts", "/skids/tf-1", f"/events/{site.finding().id}", "/account", "/users", "/audit"]
SEEN = {
    None: set(),
    "cus": {"/", "/skids/tf-1", "/account"},
    "leo": {"/", "/prompts", "/skids/tf-1", PAGES[3], "/account"},
    "ada": set(PAGES),
}


@pytest.mark.parametrize("name", SEEN)
def test_each_role_sees_its_pages_and_no_others(signed_in, client, name):
    """Who is not signed in is sent to sign in; who lacks the role is refused."""
    mine = client if name is None else signed_in(name)
    answers = {page: mine.get(page).status_code for page in PAGES}
    assert {page for page, status in answers.items() if status == 200} == SEEN[name]
    assert set(answers.values()) <= ({303} if name is None else {200, 403, 404})


def test_sign_in_leads_back_but_never_elsewhere(client):
    """``next`` is followed to a page of ours only."""
    assert client.get("/skids/tf-1").headers["location"] == "/sign-in?next=/skids/tf-1"
    for wanted, led in (("/skids/tf-1", "/skids/tf-1"), ("//evil.example", "/"), ("https://evil.example", "/")):
        form = {"name": "leo", "password": PASSWORD, "next": wanted}
        assert client.post("/sign-in", data=form).headers["location"] == led


def test_passwords_are_kept_by_argon2id_as_strong_as_the_standard_asks():
    """RFC 9106, section 4, the second recommended option: 64 MiB, 3 passes, 4 lanes, 128 bits of salt."""
    kept = hasher().hash("a long enough secret")
    assert re.match(r"\$argon2id\$v=19\$m=65536,t=3,p=4\$[A-Za-z0-9+/]{22}\$", kept)
    assert "secret" not in kept


def test_a_wrong_password_is_refused_and_soon_not_even_tried(client, logbook):
    """After five failures the right one has to wait too; each try is in the audit."""
    tries = [client.post("/sign-in", data={"name": "leo", "password": "wrong"}).status_code for _ in range(5)]
    assert tries == [403] * 5
    assert client.post("/sign-in", data={"name": "leo", "password": PASSWORD}).status_code == 429
    assert client.post("/sign-in", data={"name": "eve", "password": PASSWORD}).status_code == 303
    assert [row.detail["result"] for row in logbook.audit.newest()] == ["signed in", *["refused"] * 5]


def test_the_cookie_is_for_this_site_and_no_script(client):
    """HttpOnly, SameSite, and Secure over HTTPS."""
    form = {"name": "leo", "password": PASSWORD}
    cookie = client.post("/sign-in", data=form).headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert "secure" not in cookie
    secure = client_of(client.app, base="https://board.example")
    assert "secure" in secure.post("/sign-in", data=form).headers["set-cookie"].lower()


def test_signing_out_ends_the_session_itself(signed_in):
    """The cookie is worth nothing afterwards, even if it was kept."""
    mine = signed_in("leo")
    kept = dict(mine.cookies)
    mine.post("/sign-out", data={"csrf": csrf_of(mine.get("/account").text)})
    mine.cookies.update(kept)
    assert mine.get("/").status_code == 303


def test_a_form_without_our_secret_or_from_elsewhere_changes_nothing(signed_in, logbook):
    """CSRF: neither a missing secret, nor another's, nor another origin is taken, and no row is written."""
    mine, address = signed_in("ann"), f"/events/{site.finding().id}/answers"
    secret = csrf_of(mine.get("/account").text)
    assert mine.post(address, data={"verb": "mine"}).status_code == 403
    assert mine.post(address, data={"verb": "mine", "csrf": "x" * 43}).status_code == 403
    away = {"origin": "https://evil.example"}
    assert mine.post(address, data={"verb": "mine", "csrf": secret}, headers=away).status_code == 403
    assert logbook.answers.to("4821") == []
    assert mine.post(address, data={"verb": "mine", "csrf": secret}).status_code == 303
    assert [one.who for one in logbook.answers.to("4821")] == ["robin"]


def test_who_may_only_look_answers_nothing(signed_in, logbook):
    """The button is not there, and the request is refused."""
    mine = signed_in("leo")
    address = f"/events/{site.finding().id}"
    assert "I take it" not in mine.get(address).text
    form = {"verb": "mine", "csrf": csrf_of(mine.get("/account").text)}
    assert mine.post(f"{address}/answers", data=form).status_code == 403
    assert logbook.answers.to("4821") == []


def test_every_write_leaves_an_audit_row_without_secrets(signed_in, logbook):
    """An answer, a user, a token, a password: who, what, with what; never a password."""
    mine = signed_in("ada")
    csrf = csrf_of(mine.get("/account").text)
    mine.post(f"/events/{site.finding().id}/answers", data={"verb": "wait", "text": "4h", "csrf": csrf})
    mine.post("/users", data={"name": "new", "role": "look", "csrf": csrf})
    mine.post("/tokens", data={"name": "robot", "role": "look", "csrf": csrf})
    mine.post("/tokens/robot/drop", data={"csrf": csrf})
    form = {"old": PASSWORD, "password": PASSWORD + "!", "again": PASSWORD + "!", "csrf": csrf}
    mine.post("/account", data=form)
    rows = logbook.audit.newest()
    assert [row.what for row in reversed(rows)][1:] == [
        f"POST /events/{site.finding().id}/answers", "POST /users", "POST /tokens", "POST /tokens/robot/drop",
        "POST /account",
    ]  # fmt: skip
    assert {row.who for row in rows} == {"ada"}
    assert rows[-2].detail == {"verb": "wait", "text": "4h"}
    assert PASSWORD not in str(rows)
    assert csrf not in str(rows)


def test_a_token_works_until_it_is_revoked_and_never_after_its_time(signed_in, client, logbook):
    """A machine's token has its own role and sites; the store of it is a hash."""
    mine = signed_in("ada")
    csrf = csrf_of(mine.get("/account").text)
    page = mine.post("/tokens", data={"name": "robot", "role": "look", "sites": "sorrel-2", "csrf": csrf}).text
    secret = re.search(r"skh_[\w-]+", page)[0]
    head = {"authorization": f"Bearer {secret}"}
    assert [one["id"] for one in client.get("/api/v1/skids", headers=head).json()["items"]] == ["tf-2"]
    prompts = client.get("/api/v1/prompts", headers=head).json()["items"]
    assert [one["skid"] for one in prompts] == ["tf-2"]
    answers = f"/api/v1/prompts/{prompts[0]['id']}/answers"
    assert client.post(answers, headers=head, json={"verb": "mine"}).status_code == 403
    with logbook.database.read() as connection:
        assert secret not in str(connection.exec_driver_sql("SELECT * FROM tokens").all())
    mine.post("/tokens/robot/drop", data={"csrf": csrf})
    assert client.get("/api/v1/skids", headers=head).status_code == 401


def test_sites_bound_what_is_seen(signed_in):
    """A user of one site sees its skids, findings and prompts alone; the others are not there for them."""
    mine = signed_in("tia")
    page = mine.get("/").text
    assert "Skid 1" in page
    assert "Skid 2" not in page
    assert mine.get("/skids/tf-2").status_code == 404
    assert mine.get(f"/events/{site.rise('tf-2').id}").status_code == 404
    assert {one["skid"] for one in mine.get("/api/v1/findings").json()["items"]} == {"tf-1"}
    assert {one["skid"] for one in mine.get("/api/v1/prompts").json()["items"]} == {"tf-1"}


def test_a_customer_sees_volumes_and_quality_and_nothing_else(signed_in):
    """No cause, no finding, no name, no other instrument: on pages and in the API."""
    mine = signed_in("cus")
    told = "".join(mine.get(path).text for path in ("/", "/skids/tf-1", "/api/v1/skids", "/api/v1/skids/tf-1"))
    for hidden in ("split", "drift", "reject", "plugging", "robin", "4821", "filter-a", "PDT-301", "FT-201"):
        assert hidden not in told, hidden
    shown = [one["tag"] for one in mine.get("/api/v1/skids/tf-1/series").json()["items"]]
    assert shown == ["AT-301", "FQT-701"]
    span = {"start": "2026-03-04T08:00:00Z", "end": "2026-03-04T09:00:00Z"}
    assert mine.get("/api/v1/skids/tf-1/trend", params={"tag": "FT-201", **span}).status_code == 404
    assert mine.get("/api/v1/skids/tf-1/trend", params={"tag": "AT-301", **span}).status_code == 200
    assert mine.get("/api/v1/findings").status_code == 403
    assert mine.get("/api/v1/prompts").status_code == 403


def test_an_administrator_makes_a_user_who_sets_their_password_by_a_link_that_works_once(signed_in, client):
    """The link leads to a form; used, it is gone; the user may sign in with what they set."""
    mine = signed_in("ada")
    form = {"name": "new", "role": "answer", "sites": "tansy-4", "csrf": csrf_of(mine.get("/account").text)}
    link = re.search(r"/set-up/[\w-]+", mine.post("/users", data=form).text)[0]
    short = client.post(link, data={"password": "short", "again": "short"})
    assert short.status_code == 422
    both = {"password": PASSWORD, "again": PASSWORD}
    assert client.post(link, data=both).status_code == 200
    assert client.post(link, data=both).status_code == 404
    assert client.post("/sign-in", data={"name": "new", "password": PASSWORD}).status_code == 303


def test_a_user_who_may_no_longer_sign_in_is_out_at_once(signed_in):
    """Their open session ends with the change."""
    leo, ada = signed_in("leo"), signed_in("ada")
    ada.post("/users/leo", data={"role": "look", "csrf": csrf_of(ada.get("/account").text)})
    assert leo.get("/").status_code == 303
    assert leo.post("/sign-in", data={"name": "leo", "password": PASSWORD}).status_code == 403


@pytest.fixture
def empty(filled, tmp_path):
    """A board that has no users, closed and open."""
    with site.logbook_of(str(tmp_path / "new.db"), site.fleet_text(site.THREE)) as book:
        yield lambda **settings: make_app(filled[1], book, Board(**settings), site.clock()), book


def test_without_users_nothing_but_this_host_is_served(empty):
    """Other addresses, other host names (DNS rebinding) and what a proxy passes on are refused; open or not."""
    app = empty[0](open=True)
    assert client_of(app).get("/").status_code == 200
    assert client_of(app, host="192.0.2.7").get("/").status_code == 403
    assert client_of(app, base="http://evil.example").get("/").status_code == 403
    assert client_of(app).get("/", headers={"x-forwarded-for": "192.0.2.7"}).status_code == 403
    assert client_of(app, host="192.0.2.7").get("/static/board.css").status_code == 403


def test_without_users_it_is_closed_unless_opened_and_then_only_looks(empty):
    """Closed: sign in. Open: look, write nothing. With the first user the door shuts."""
    make, book = empty
    assert client_of(make()).get("/").status_code == 303
    app = make(open=True)
    split = site.finding()
    site.put(book, split)
    site.prompt(book, split)
    assert client_of(app).post(f"/events/{split.id}/answers", data={"verb": "mine"}).status_code == 403
    link = f"/set-up/{book.users.invite(None)}"
    form = {"name": "ada", "password": PASSWORD, "again": PASSWORD}
    assert client_of(app).post(link, data=form).status_code == 200
    assert book.users.get("ada").role == "admin"
    assert client_of(app).get("/").status_code == 303
    assert client_of(app, host="192.0.2.7").get("/sign-in").status_code == 200


def test_a_set_up_link_for_the_first_user_makes_no_second_one(empty):
    """Two links cannot make two first users, and an old link is dead."""
    make, book = empty
    old = book.users.invite(None)
    new = book.users.invite(None)
    form = {"name": "ada", "password": PASSWORD, "again": PASSWORD}
    client = client_of(make())
    assert client.post(f"/set-up/{old}", data=form).status_code == 404
    assert client.post(f"/set-up/{new}", data=form).status_code == 200
    again = book.users.invite(None)
    assert client.post(f"/set-up/{again}", data={**form, "name": "eve"}).status_code == 404
    assert book.users.get("eve") is None


def test_headers_keep_others_out(client):
    """A strict policy without inline script or style, on every answer: pages, errors, files, API."""
    for path in ("/sign-in", "/nothing", "/static/board.css", "/api/v1/fleet"):
        headers = client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"


def test_an_answer_counts_from_the_moment_of_the_clock(signed_in, logbook):
    """An answer's time is the logbook's own clock, whatever the machine says."""
    mine = signed_in("ann")
    form = {"verb": "wait", "text": "2h", "csrf": csrf_of(mine.get("/account").text)}
    mine.post(f"/events/{site.finding().id}/answers", data=form)
    (one,) = logbook.answers.to("4821")
    assert (one.at, one.verb, one.text, one.channel, one.state) == (site.NOW, "wait", "2h", "board", "waiting")
    assert abs((logbook.audit.newest()[0].at - WallClock().now()).total_seconds()) < 60


def test_what_is_not_there_is_not_there(signed_in):
    """Unknown skids, findings and prompts are 404, on pages and in the API."""
    mine = signed_in("ada")
    for path in ("/skids/none", f"/events/{uuid4()}", "/api/v1/skids/none", f"/api/v1/findings/{uuid4()}"):
        assert mine.get(path).status_code == 404
