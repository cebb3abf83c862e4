"""What a person looks at and says: findings, prompts, answers."""

from __future__ import annotations

import json
import threading
from datetime import timedelta

import pytest

from alerts.channels.recording import RecordingChannel
from alerts.service import AlertService
from simulator import load_scenario
from skidhand.clock import StreamClock
from skidhand.fleet import load_fleet
from skidhand.logbook import Logbook
from tests.alerts.helpers import NOON, VERSION, Analyser, dp_rise, finding, revised

BOOK = "skidhand-data/logbook.db"


@pytest.fixture
def story(home):
    """A logbook in stream time with two findings, one ended, and the prompts that followed."""
    with Logbook(BOOK) as book:
        book.guard_clock("stream")
        book.fleets.apply(VERSION, effective=NOON - timedelta(days=60), who="test")
        book.clock.announce(NOON + timedelta(minutes=10))
        first, second = finding(), dp_rise(onset=NOON + timedelta(minutes=2))
        other = finding("dp-rise", "filter-a", skid="tf-skid-2", onset=NOON - timedelta(days=3))
        Analyser(book).commit(first, second)
        Analyser(book).commit(other)
        Analyser(book).commit(revised(other, state="closed", ended=NOON))
        alerts(book).run_once()


def alerts(book: Logbook) -> AlertService:
    """The alerts service on this logbook."""
    clock = StreamClock(book.clock.announced)
    return AlertService(book, clock=clock, channels=[RecordingChannel()], instance="test")


def rows(ran) -> list[dict]:
    """The rows that a command printed."""
    assert ran.code == 0, ran.err
    return json.loads(ran.out)


def code_of(run) -> str:
    """The code of the prompt about the cyclone, which stands."""
    (row,) = [row for row in rows(run("prompts", "list", "--format", "json")) if row["unit"] == "cyclone"]
    return row["code"]


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ((), [("tf-skid-2", "dp-rise"), ("tf-skid-1", "split-drift"), ("tf-skid-1", "dp-rise")]),
        (("--open",), [("tf-skid-1", "split-drift"), ("tf-skid-1", "dp-rise")]),
        (("--kind", "dp-rise"), [("tf-skid-2", "dp-rise"), ("tf-skid-1", "dp-rise")]),
        (("--skid", "tf-skid-2"), [("tf-skid-2", "dp-rise")]),
        (("--since", "2026-03-02T18:01:00Z"), [("tf-skid-1", "dp-rise")]),
        (("--since", "2026-03-02T12:01:00-06:00", "--kind", "split-drift"), []),
    ],
)
def test_findings(run, story, words, found):
    """Findings come oldest onset first, in their last revision, and every filter counts."""
    assert [(row["skid"], row["kind"]) for row in rows(run("findings", "--format", "json", *words))] == found


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("findings", "--kind", "dp-rize"), "'dp-rize'; there are strainer-blinding"),
        (("findings", "--skid", "tf-skid-9"), "'tf-skid-9' in this fleet; there are tf-skid-1"),
        (("prompts", "list", "--skid", "tf-skid-9"), "'tf-skid-9' in this fleet; there are tf-skid-1"),
    ],
)
def test_a_slip_is_no_empty_answer(run, story, words, told):
    """A kind or a skid that is none is wrong use, not a list of nothing."""
    ran = run(*words)
    assert (ran.code, ran.out) == (2, "")
    assert told in ran.err


def test_a_site_with_a_shared_tank_is_asked_for_by_its_own_name(run, home):
    """Its tank speaks in the site's name, so findings and prompts can be asked for by that."""
    shared = load_fleet(load_scenario("shared-tank").fleet_path)
    with Logbook(BOOK) as book:
        book.guard_clock("stream")
        book.fleets.apply(shared, effective=NOON - timedelta(days=60), who="test")
        book.clock.announce(NOON)
    assert rows(run("findings", "--skid", "sedge-2", "--format", "json")) == []
    assert rows(run("prompts", "list", "--skid", "sedge-2", "--format", "json")) == []


def test_the_last_revision_counts(run, story):
    """A finding that has ended says when."""
    (row,) = rows(run("findings", "--skid", "tf-skid-2", "--format", "json"))
    assert (row["state"], row["ended"]) == ("closed", "2026-03-02T18:00:00+00:00")


def test_prompts(run, story):
    """The list holds open prompts; without another word too; each shows its story from first to last."""
    listed = rows(run("prompts", "list", "--format", "json"))
    assert {(row["skid"], row["unit"]) for row in listed} >= {("tf-skid-1", "cyclone"), ("tf-skid-1", "filter-a")}
    one = rows(run("prompts", "list", "--skid", "tf-skid-1", "--format", "json"))
    assert {row["skid"] for row in one} == {"tf-skid-1"}
    code = code_of(run)
    assert code in run("prompts").out
    shown = rows(run("prompts", "show", code, "--format", "json"))
    assert shown[0]["what"] == "new → unacknowledged"
    assert any(row["what"].startswith("message, ") and code in row["text"] for row in shown)


@pytest.fixture
def working(story):
    """The alerts service at work beside the command, as in life."""
    stop = threading.Event()
    with Logbook(BOOK) as book:
        thread = threading.Thread(target=alerts(book).run_forever, args=(0.05, stop))
        thread.start()
        yield
        stop.set()
        thread.join()


@pytest.mark.parametrize(
    ("words", "state"),
    [(("ack",), "acknowledged"), (("mine",), "acknowledged"), (("wait", "2h"), "shelved")],
)
def test_an_answer_is_accepted(run, working, words, state):
    """An answer from the roster changes the prompt, and the command waits to say so."""
    code = code_of(run)
    ran = run("prompts", words[0], code, *words[1:], "--who", "robin")
    assert (ran.code, ran.out) == (0, "")
    assert "Accepted" in ran.err
    after = {row["code"]: row["state"] for row in rows(run("prompts", "list", "--format", "json"))}
    assert after[code] == state


def test_an_answer_is_refused(run, working):
    """Somebody who is not on the roster is refused with 1 and the reason."""
    code = code_of(run)
    ran = run("prompts", "ack", code, "--who", "nobody-of-ours")
    assert ran.code == 1
    assert "not on the roster" in ran.err


def test_an_answer_waits(run, story, monkeypatch):
    """While alerts does not run, the answer is written down and waits; nothing is claimed."""
    from skidhand.cli import prompts

    monkeypatch.setattr(prompts, "WAIT_S", 0.0)
    code = code_of(run)
    ran = run("prompts", "done", code, "washed", "--who", "robin")
    assert (ran.code, "as soon as the alerts service runs" in ran.err) == (0, True)
    with Logbook(BOOK) as book:
        (answer,) = book.answers.to(code)
        assert (answer.who, answer.verb, answer.text, answer.state) == ("robin", "done", "washed", "waiting")
        alerts(book).run_once()
        assert book.answers.get(answer.id).state == "accepted"


@pytest.mark.parametrize("words", [("show", "000"), ("ack", "000", "--who", "robin")])
def test_a_code_that_is_none(run, story, words):
    """An unknown code is wrong use; the codes that there are are listed, and nothing is written."""
    known = {row["code"] for row in rows(run("prompts", "list", "--format", "json"))}
    ran = run("prompts", *words)
    assert ran.code == 2
    assert all(code in ran.err for code in known)
    with Logbook(BOOK) as book:
        assert book.answers.to("000") == []


@pytest.mark.parametrize("words", [("findings",), ("prompts", "list"), ("score", "truth.json"), ("prompts",)])
def test_no_logbook(run, home, words):
    """Looking never makes a logbook: where there is none, that is said."""
    (home / "truth.json").write_text(
        '{"scenario": "a", "fleet": "b", "seed": 1, "start": "2026-03-01T00:00:00Z", "end": "2026-03-02T00:00:00Z",'
        ' "skids": [], "events": []}',
        encoding="utf-8",
    )
    ran = run(*words)
    assert (ran.code, "there is no logbook" in ran.err) == (2, True)
    assert not (home / "skidhand-data").exists()


def test_score(run, story, home):
    """Missed and falsely called findings make the answer no; a truth that they fit makes it yes."""
    event = {
        "id": "tf-skid-1/split-drift/1", "event": "reject-plugging", "skid": "tf-skid-1", "unit": "cyclone",
        "kind": "split-drift", "onset": "2026-03-02T18:00:00Z", "ended": "2026-03-02T20:00:00Z",
    }  # fmt: skip
    run_of_the_filter = {**event, "id": "tf-skid-1/filter-run/1", "unit": "filter-a", "kind": "dp-rise"}
    truth = {
        "scenario": "toy", "fleet": "b", "seed": 1, "start": "2026-03-01T00:00:00Z", "end": "2026-03-05T00:00:00Z",
        "skids": ["tf-skid-1"], "events": [event, run_of_the_filter],
    }  # fmt: skip
    (home / "truth.json").write_text(json.dumps(truth), encoding="utf-8")
    good = run("score", "truth.json", "--show", "events", "--format", "json")
    found = {row["kind"]: (row["found"], row["delay_min"]) for row in rows(good)}
    assert found["split-drift"] == (True, 5.0)
    missed = {**event, "id": "another", "unit": "filter-a", "kind": "channelling"}
    (home / "truth.json").write_text(json.dumps({**truth, "events": [missed, run_of_the_filter]}), encoding="utf-8")
    bad = run("score", "truth.json", "--format", "json")
    assert bad.code == 1
    judged = {row["kind"]: (row["missed"], row["false"]) for row in json.loads(bad.out)}
    assert (judged["channelling"], judged["split-drift"]) == ((1, 0), (0, 1))
    assert "1 missed, 1 false calls" in bad.err


def test_score_by_verdicts(run, story):
    """What was answered is counted by cause, what nobody judged apart; false calls are listed, and are no failure."""
    code = code_of(run)
    assert run("prompts", "false", code, "nothing there", "--who", "robin").code == 0
    with Logbook(BOOK) as book:
        alerts(book).run_once()
    ran = run("score", "--verdicts", "--show", "causes", "--format", "json")
    found = [(row["kind"], row["cause"], row["false"], row["unjudged"], row["precision"]) for row in rows(ran)]
    assert found == [
        ("dp-rise", None, 0, 1, None), ("dp-rise", "fouling", 0, 1, None), ("split-drift", None, 1, 0, 0.0),
    ]  # fmt: skip
    assert "precision 0% (95 % interval 0% to 79%)" in ran.err  # 0 of 1 by Wilson: z²/(1 + z²) = 0.793
    (false,) = rows(run("score", "--verdicts", "--show", "false", "--skid", "tf-skid-1", "--format", "json"))
    assert (false["code"], false["who"], false["said"]) == (code, "robin", "nothing there")
    assert rows(run("score", "--verdicts", "--since", "2027-01-01", "--format", "json")) == []


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "one of the two"),
        (("--verdicts", "--show", "events"), "there are kinds, causes, false, calls"),
        (("--verdicts", "--skid", "tf-skid-9"), "there are tf-skid-1"),
    ],
)
def test_score_tells_what_it_cannot_do(run, story, words, told):
    """Neither truth nor verdicts, a part that verdicts cannot give, a skid that is none: wrong use."""
    ran = run("score", *words)
    assert (ran.code, ran.out) == (2, "")
    assert told in ran.err
