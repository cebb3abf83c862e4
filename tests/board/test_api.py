"""The API: one error form, pages, ETags, what its own description promises, and events that survive a reconnect."""

from __future__ import annotations

import json
from datetime import timedelta
from uuid import uuid4

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings

from board.app import make_app
from board.serve import served
from skidhand.model.samples import micros, table
from skidhand.settings import Board
from skidhand.stores.base import Batch
from skidhand.stores.memory import MemoryStore
from tests.board import site
from tests.board.conftest import csrf_of

EXAMPLES = 8
SPAN = {"start": "2026-03-04T03:00:00Z", "end": "2026-03-04T09:00:00Z"}


def test_errors_have_one_form(client, signed_in):
    """RFC 9457 for each status: unknown path, wrong method, no sign-in, a wrong parameter."""
    mine = signed_in("leo")
    cases = {
        401: client.get("/api/v1/skids"),
        404: mine.get("/api/v1/nothing"),
        405: mine.delete("/api/v1/skids"),
        422: mine.get("/api/v1/skids?limit=0"),
        403: mine.post(f"/api/v1/prompts/{uuid4()}/answers", json={"verb": "mine"}),
    }
    for status, answer in cases.items():
        assert answer.status_code == status
        assert answer.headers["content-type"] == "application/problem+json"
        body = answer.json()
        assert (body["status"], body["type"]) == (status, "about:blank")
        assert body["title"]
    assert cases[422].json()["errors"][0]["where"] == "query.limit"
    assert cases[401].headers["www-authenticate"] == "Bearer"


def test_pages_of_a_list_hold_every_item_once(signed_in):
    """Following ``next`` gives what one large page gives."""
    mine, ids, at = signed_in("leo"), [], 0
    while at is not None:
        body = mine.get(f"/api/v1/skids?limit=2&offset={at}").json()
        ids += [one["id"] for one in body["items"]]
        at = body["next"]
    assert ids == [one["id"] for one in mine.get("/api/v1/skids").json()["items"]] == ["tf-1", "tf-2", "tf-3"]


def test_an_etag_saves_the_body(signed_in):
    """The same answer again is 304 and empty."""
    mine = signed_in("leo")
    tag = mine.get("/api/v1/findings").headers["etag"]
    again = mine.get("/api/v1/findings", headers={"if-none-match": tag})
    assert (again.status_code, again.content) == (304, b"")


def test_a_trend_is_what_the_store_holds(signed_in):
    """Six hours of a minute's wave: the width says itself, the means lie between least and most, gaps are null."""
    body = signed_in("leo").get("/api/v1/skids/tf-1/trend", params={"tag": ["AT-301", "FQT-701"], **SPAN}).json()
    assert body["width"] == 60
    oil, total = body["series"]
    assert len(oil["mean"]) == 360
    known = [n for n, value in enumerate(oil["mean"]) if value is not None]
    assert len(known) >= 358
    assert all(oil["low"][n] - 1e-9 <= oil["mean"][n] <= oil["high"][n] + 1e-9 for n in known)
    assert total["mean"][known[-1]] - total["mean"][known[0]] == known[-1] - known[0]


@pytest.mark.parametrize("days", [1 / 24, 1, 30, 365])
def test_a_trend_of_any_span_has_about_as_many_points(signed_in, days):
    """A year is read in as few buckets as an hour."""
    params = {"tag": "AT-301", "end": SPAN["end"], "start": (site.NOW - timedelta(days=days)).isoformat()}
    body = signed_in("leo").get("/api/v1/skids/tf-1/trend", params=params).json()
    assert 60 <= len(body["series"][0]["mean"]) <= 721


def test_an_answer_goes_to_alerts(signed_in, logbook):
    """202, a row that waits, in the name that the roster knows."""
    mine = signed_in("ann")
    (one,) = mine.get("/api/v1/prompts?skid=tf-1").json()["items"]
    head = {"x-csrf-token": csrf_of(mine.get("/account").text)}
    answer = mine.post(f"/api/v1/prompts/{one['id']}/answers", json={"verb": "wait", "text": "4h"}, headers=head)
    assert answer.status_code == 202
    (row,) = logbook.answers.to(one["code"])
    assert (str(row.id), row.who, row.state) == (answer.json()["id"], "robin", "waiting")
    told = mine.get(f"/api/v1/prompts/{one['id']}").json()
    assert told["answers"][0]["verb"] == "wait"
    assert told["prompt"]["state"] == "unacknowledged"


def test_the_description_is_of_the_api_alone(client):
    """OpenAPI 3.1, every path under /api/v1."""
    document = client.get("/api/v1/openapi.json").json()
    assert document["openapi"].startswith("3.1")
    assert document["paths"]
    assert [path for path in document["paths"] if not path.startswith("/api/v1/")] == []


def operations() -> list[str]:
    """Every operation but the stream that never ends, as ``GET /path``."""
    document = make_app(MemoryStore(), None, Board(), site.clock()).openapi()  # nothing is asked of a logbook
    return [
        f"{verb.upper()} {path}"
        for path, verbs in document["paths"].items()
        for verb in verbs
        if path != "/api/v1/live"
    ]


@pytest.mark.filterwarnings("ignore")  # the tool's own
@pytest.mark.parametrize("operation", operations())
def test_it_keeps_what_its_description_promises(app, logbook, operation):
    """Schemathesis: no surprise in status, type, body or refusal, with what fits the description and what does not."""
    secret = logbook.sessions.add_token("robot", "answer", None, "test")
    verb, path = operation.split()
    schema = schemathesis.openapi.from_asgi("/api/v1/openapi.json", app)

    @given(case=schema[path][verb].as_strategy())
    @settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
    def tried(case):
        case.call_and_validate(headers={"Authorization": f"Bearer {secret}"})

    tried()


def read_events(address: str, count: int, headers: dict[str, str]) -> list[dict[str, str]]:
    """The first ``count`` events of a stream."""
    events, fields = [], {}
    with httpx.stream("GET", address, headers=headers, timeout=20.0) as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        for line in answer.iter_lines():
            if line:
                name, _, value = line.partition(": ")
                fields[name] = value
            elif fields:
                events.append(fields)
                fields = {}
                if len(events) == count:
                    return events
    return events


def test_live_values_survive_a_reconnect(tmp_path):
    """Who comes back with the last id gets what is newer, and nothing twice."""
    store = MemoryStore()
    site.fill(store, ["tf-1"], hours=1)
    with (
        site.logbook_of(str(tmp_path / "l.db"), site.fleet_text(site.THREE[:1])) as book,
        served(store, book, Board(port=0, open=True), site.clock()) as address,
    ):
        (first,) = read_events(f"{address}/api/v1/live?skid=tf-1", 1, {})
        assert first["event"] == "values"
        values = {one["tag"]: one for one in json.loads(first["data"])["values"]}
        assert set(values) == {"FT-201", "PDT-301", "AT-301", "FQT-701", "XS-100"}
        assert values["XS-100"]["text"] == "running"
        at = micros(site.NOW) + 1_000_000
        row = [("tf-1/PDT-301", at, 7.5, 0, at)]
        store.write(Batch(writer=str(uuid4()), number=1, digest="b", samples=table(row)))
        (second,) = read_events(f"{address}/api/v1/live?skid=tf-1", 1, {"last-event-id": first["id"]})
        (value,) = json.loads(second["data"])["values"]
        assert (value["tag"], value["value"], second["id"]) == ("PDT-301", 7.5, str(at))
        (fleet,) = read_events(f"{address}/api/v1/live", 1, {})
        assert fleet["event"] == "fleet"
