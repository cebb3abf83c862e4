"""Work and the figures of calling, at the command line."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest

from skidhand.logbook import Logbook
from tests.alerts.helpers import NOON, VERSION, Analyser, finding
from tests.cli.test_people import BOOK, alerts


@pytest.fixture
def story(home):
    """A logbook in stream time, at noon, with one prompt that robin was told of."""
    with Logbook(BOOK) as book:
        book.guard_clock("stream")
        book.fleets.apply(VERSION, effective=NOON - timedelta(days=60), who="test")
        book.clock.announce(NOON)
        Analyser(book).commit(finding())
        alerts(book).run_once()


def test_work_is_written_down_and_listed(run, story):
    """A span counts from now; the alerts service acts on it; without a skid what is going on is listed."""
    ran = run("work", "tf-skid-1", "--unit", "cyclone", "--until", "4h", "--why", "liners", "--who", "robin")
    assert (ran.code, "work until 2026-03-02 22:00Z, robin" in ran.err) == (0, True)
    with Logbook(BOOK) as book:
        alerts(book).run_once()
        assert [one.state for one in book.prompts.all()] == ["out-of-service"]
    (row,) = json.loads(run("work", "--format", "json").out)
    assert (row["skid"], row["unit"], row["kind"], row["why"]) == ("tf-skid-1", "cyclone", "work", "liners")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("tf-skid-9", "--until", "4h"), "tf-skid-9"),
        (("tf-skid-1", "--unit", "press", "--until", "4h"), "there are cyclone, filter-a"),
        (("tf-skid-1", "--until", "4h", "--who", "kim"), "'kim' is not on the roster; there are robin, sasha"),
        (("tf-skid-1", "--until", "2026-03-02T17:00:00Z"), "is no later than"),
        (("tf-skid-1",), "--until TIME"),
    ],
)
def test_what_can_not_be_is_told(run, story, words, told):
    """Unknown skid, unit or person, an end in the past or none: wrong use, and nothing is written."""
    ran = run("work", *words, *([] if "--who" in words else ["--who", "robin"]))
    assert (ran.code, told in ran.err) == (2, True)
    with Logbook(BOOK) as book:
        assert book.work.all() == []


def test_the_figures_of_calling(run, story):
    """Messages a person and shift, share answered in time, false calls: of the person and of all."""
    with Logbook(BOOK) as book:
        code = book.prompts.all()[0].code
        from uuid import uuid4

        from skidhand.model.prompt import Answer

        book.answers.add(Answer(id=uuid4(), at=NOON, who="robin", code=code, verb="false", channel="test"))
        alerts(book).run_once()
    person, everybody = json.loads(run("prompts", "stats", "--days", "1", "--format", "json").out)
    assert person == everybody | {"person": "robin"}
    assert (person["messages"], person["per_shift"], person["in_time"], person["false"]) == (1, 0.5, 1.0, 1.0)
    assert person["peak_10_min"] == 1
    assert "robin" in run("prompts", "--stats").out
