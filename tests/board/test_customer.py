"""A customer's role on every route that there is: volumes and quality, and no cause, name or number of anybody."""

from __future__ import annotations

import pytest
from fastapi.routing import APIRoute

from skidhand.model.entry_kinds import make_entry
from tests.board import site

HIDDEN = (
    "plugging", "Robin", "robin", "sasha", "+1555", "4821", "split-drift", "split has", "probably", "truck at six",
    "FT-201", "PDT-301", "backwash",
)  # fmt: skip
FINDING = str(site.finding().id)
FILLED = {"skid": "tf-1", "finding": FINDING, "code": "en", "secret": "x", "prompt": "x", "name": "cus", "path": "x"}
QUERIES = {
    "/report": {"of": "site tansy-4", "period": "2026-03-04"},
    "/report/file": {"of": "site tansy-4", "period": "2026-03-04", "format": "html"},
    "/export/file": {"skid": "tf-1", "since": "2026-03-04T08:00", "until": "2026-03-04T09:00"},
    "/export/dictionary": {"skid": "tf-1"},
    "/api/v1/skids/{skid}/trend": {"tag": "AT-301", "start": "2026-03-04T08:00Z", "end": "2026-03-04T09:00Z"},
}
STREAMS = {"/api/v1/live"}  # never ends; its readings are those of /series, tested with it
DESK = {"/prompts", "/handover", "/logbook", "/export", "/export/file", "/export/dictionary", "/events/{finding}"}


def routes(app) -> list[str]:
    """The paths of all that may be read, from the app itself."""
    found, stack = set(), list(app.routes)
    while stack:
        one = stack.pop()
        if isinstance(one, APIRoute) and "GET" in one.methods:
            found.add(one.path)
        inner = getattr(one, "routes", None) or getattr(getattr(one, "original_router", None), "routes", ())
        stack += inner
    return sorted(found - STREAMS)


def asked(client, path: str):
    """That route with something in each of its gaps."""
    return client.get(path.format(**FILLED), params=QUERIES.get(path))


@pytest.fixture
def written(logbook):
    """Something to hide in the logbook too."""
    logbook.entries.add(make_entry("note", site.NOW, "robin", skid="tf-1", text="truck at six", data={}))


def test_a_customer_sees_no_cause_name_or_number_on_any_route(app, signed_in, written):
    """Every page and API route, asked as a customer: what staff read there is not in it."""
    paths = routes(app)
    assert {"/", "/report", "/skids/{skid}", *DESK} <= set(paths)
    cus, leo = signed_in("cus"), signed_in("leo")
    told = {path: [word for word in HIDDEN if word in asked(cus, path).text] for path in paths if "openapi" not in path}
    assert {path: words for path, words in told.items() if words} == {}
    assert any(word in asked(leo, "/").text for word in HIDDEN)
    assert "truck at six" in asked(leo, "/logbook").text


def test_the_desks_pages_are_not_there_for_a_customer(signed_in):
    """They are refused, not merely empty."""
    cus = signed_in("cus")
    assert {path: asked(cus, path).status_code for path in DESK} == dict.fromkeys(DESK, 403)
