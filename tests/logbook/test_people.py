"""Who may use the board, who is signed in, machines' tokens, and the audit: the same on every database."""

from __future__ import annotations

from datetime import timedelta

import pytest

from skidhand.clock import WallClock
from skidhand.errors import NotFoundError, UserError
from skidhand.logbook import board


@pytest.fixture
def later(monkeypatch):
    """``later(delta)`` moves the machine's clock on."""
    true_now = WallClock.now

    def move(by):
        monkeypatch.setattr(WallClock, "now", lambda self: true_now(self) + by)

    return move


def test_users_come_in_by_a_link_that_works_once(logbook, later):
    """No password, no user; a newer link ends the older; each is used up by the first who comes, and runs out."""
    users = logbook.users
    users.add("robin", "operator", ["tansy-4", "sedge-2"], person="robin")
    users.add("Ávery", "admin", None)
    assert sorted(user.name for user in users.all()) == ["robin", "Ávery"]
    assert users.get("robin").sites == ("sedge-2", "tansy-4")
    assert (users.any(), users.get("nobody"), users.get("robin\x00")) == (False, None, None)
    with pytest.raises(UserError, match="already"):
        users.add("robin", "viewer", None)
    old, new, first = users.invite("robin"), users.invite("robin"), users.invite(None)
    assert [users.invited(each) for each in (old, new, first, "x")] == [None, ("robin",), (None,), None]
    assert [users.redeem(new), users.redeem(new), users.redeem(old)] == [True, False, False]
    users.set_password("robin", "$argon2id$…")
    assert users.any()
    later(board.LINK)
    assert users.invited(first) is None


def test_a_session_ends_with_its_time_its_user_and_its_rights(logbook, later):
    """Signed out, changed, with another password, made inactive, or after a shift: the cookie is worth nothing."""
    users, sessions = logbook.users, logbook.sessions
    users.add("robin", "operator", None)
    one, other = sessions.begin("robin"), sessions.begin("robin")
    assert sessions.get(one).user == users.get("robin")
    assert sessions.get(one).csrf != sessions.get(other).csrf
    sessions.end(one)
    assert (sessions.get(one), sessions.get(other).user.name) == (None, "robin")
    users.change("robin", role="viewer", sites=["tansy-4"], person=None, active=True)
    assert (sessions.get(other), users.get("robin").role) == (None, "viewer")
    third = sessions.begin("robin")
    users.set_password("robin", "$argon2id$…")
    assert sessions.get(third) is None
    users.change("robin", role="viewer", sites=None, person=None, active=False)
    assert sessions.get(sessions.begin("robin")) is None
    users.change("robin", role="viewer", sites=None, person=None, active=True)
    last = sessions.begin("robin")
    later(board.SESSION)
    assert sessions.get(last) is None
    with pytest.raises(NotFoundError):
        users.change("nobody", role="viewer", sites=None, person=None, active=True)


def test_tokens_are_told_once_and_run_out(logbook, later):
    """The secret finds its token until it is revoked or its days are over; nothing that is kept gives it away."""
    sessions = logbook.sessions
    forever, week = sessions.add_token("a", "viewer", None, "robin"), sessions.add_token("b", "viewer", ["x"], "r", 7)
    assert [token.name for token in sessions.tokens()] == ["a", "b"]
    assert (sessions.token(forever).made_by, sessions.token(week).sites) == ("robin", ("x",))
    assert not any(secret in repr(sessions.tokens()) for secret in (forever, week))
    with pytest.raises(UserError, match="already"):
        sessions.add_token("a", "viewer", None, "robin")
    later(timedelta(days=7))
    assert (sessions.token(week), sessions.token(forever).name) == (None, "a")
    sessions.drop_token("a")
    assert (sessions.token(forever), sessions.token("skh_guess")) == (None, None)


@pytest.mark.parametrize("text", ["", "'; --", "№☃" * 200, "\x00"], ids=["empty", "sql", "long", "nul"])
def test_the_audit_keeps_what_was_typed(logbook, text):
    """Newest first, whatever stands in it."""
    logbook.audit.add("robin", "192.0.2.1", "first")
    logbook.audit.add(f"robin{text}", text, "second", text=text, count=2, nothing=None)
    newest, first = logbook.audit.newest()
    assert (newest.what, newest.detail) == ("second", {"text": text, "count": 2, "nothing": None})
    assert (first.what, first.client) == ("first", "192.0.2.1")
    assert logbook.audit.newest(1) == [newest]
