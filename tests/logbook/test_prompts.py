"""Reading prompts, answers and entries back as they were written."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from uuid import UUID, uuid4

import pytest

from skidhand.errors import LogbookError
from skidhand.model.entry import Entry
from skidhand.model.prompt import Answer, Delivery, Prompt, Transition
from tests.alerts.helpers import NOON, Analyser, finding, revised

HOUR = timedelta(hours=1)
DAY = timedelta(days=1)


def prompt(code="4821", state="unacknowledged", skid="tf-skid-1", created=NOON, **changes):
    """A prompt."""
    base = {
        "id": uuid4(), "code": code, "kind": "inspect", "state": state, "priority": "medium", "route": "phone",
        "site": "tansy-4", "skid": skid, "unit": "cyclone", "root": uuid4(), "findings": (uuid4(),),
        "title": "ΔP ✓", "created": created, "updated": created,
    }  # fmt: skip
    return Prompt.model_validate(base | changes)


def answer(code="4821", at=NOON, **changes):
    """An answer that waits."""
    base = {"id": uuid4(), "at": at, "who": "robin", "code": code, "verb": "mine", "channel": "cli"}
    return Answer.model_validate(base | changes)


def test_prompts_are_listed_and_found(logbook):
    """Open ones by skid, all by last change, one by id, code or finding."""
    one, two = prompt(), prompt("1111", skid="tf-skid-2", created=NOON + HOUR)
    closed = prompt("2222", "cleared", created=NOON - HOUR)
    with logbook.prompts.work() as book:
        for each in (two, one, closed):
            book.save(each)
        book.link(one.findings[0], one.id)
    read = logbook.prompts
    assert read.open() == [one, two]
    assert read.open("tf-skid-2") == [two]
    assert read.all() == [closed, one, two]
    assert read.all(skid="tf-skid-1", since=NOON) == [one]
    assert (read.get(one.id), read.get(uuid4())) == (one, None)
    assert (read.by_code("2222"), read.by_code("9999")) == (closed, None)
    assert read.of_finding(one.findings[0]) == one


def test_a_code_finds_the_open_prompt_before_a_closed_one(logbook):
    """A code that rests long enough returns; the open prompt is meant."""
    old = prompt(state="cleared", created=NOON + HOUR)
    new = prompt(created=NOON)
    with logbook.prompts.work() as book:
        book.save(old)
        book.save(new)
        assert book.codes(since=NOON + 2 * HOUR) == {"4821"}
        book.save(new.model_copy(update={"state": "cleared"}))
    with logbook.prompts.work() as book:
        assert book.codes(since=NOON + 2 * HOUR) == set()
    assert logbook.prompts.by_code("4821") == old


def test_history_and_deliveries_keep_their_order(logbook):
    """Rows of one moment stay in the order in which they were written."""
    one = prompt()
    rows = [
        Transition(prompt=one.id, at=NOON, before=None, after="unacknowledged", who="skidhand", why="a"),
        Transition(prompt=one.id, at=NOON, before="unacknowledged", after="acknowledged", who="robin", why="b"),
    ]
    sent = Delivery(
        id=uuid4(), prompt=one.id, channel="file", person="robin", address="x", text="t", state="queued", queued=NOON
    )
    with logbook.prompts.work() as book:
        book.save(one)
        for row in rows:
            book.record(row)
        book.put(sent)
        assert not book.told(one.id)
        assert book.queued() == [sent]
        book.put(sent := sent.model_copy(update={"state": "sent", "attempts": 1, "sent": NOON}))
        assert book.told(one.id)
    assert logbook.prompts.history(one.id) == rows
    assert logbook.prompts.deliveries(one.id) == logbook.prompts.deliveries() == [sent]


def test_nothing_of_a_failed_piece_of_work_is_left(logbook):
    """All that alerts does in one piece of work stands or falls together."""

    def fail():
        with logbook.prompts.work() as book:
            book.save(prompt())
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail()
    assert logbook.prompts.all() == []


def test_the_inbox_gives_each_revision_once(logbook):
    """In the order written; a revision counts as known only when it was taken."""
    first = finding()
    second = revised(first, severity="high")
    Analyser(logbook).commit(first, second)
    with logbook.prompts.work() as book:
        rows = book.inbox(10)
        assert [(row.finding, row.state) for row in rows] == [(first.id, "open")] * 2
        assert book.inbox(10, after=rows[0].seq) == rows[1:]
        assert book.findings([first.id]) == []
        assert book.take(rows[0].seq) == first
        assert book.findings([first.id]) == [first]
        book.take(rows[1].seq)
        assert book.findings([first.id, UUID(int=1)]) == [second]
    assert logbook.prompts.inbox_depth() == 0


def test_a_prompt_hands_over_its_findings_seen_or_not(logbook):
    """Every link of the old prompt leads to the new one."""
    old, new, foreseen = prompt(), prompt("1111"), uuid4()
    with logbook.prompts.work() as book:
        book.save(old)
        book.save(new)
        for one in (*old.findings, foreseen):
            book.link(one, old.id)
        book.hand_over(old.id, new.id)
    assert logbook.prompts.of_finding(foreseen) == logbook.prompts.of_finding(old.findings[0]) == new


def test_answers_wait_and_are_judged(logbook):
    """Oldest first; what was judged waits no more and can be looked up."""
    late, early = answer(at=NOON + HOUR), answer("1111")
    logbook.answers.add(late)
    logbook.answers.add(early)
    with logbook.prompts.work() as book:
        assert book.waiting_answers() == [early, late]
        book.judged(judged := early.model_copy(update={"state": "refused", "reason": "no", "judged": NOON}))
        assert book.waiting_answers() == [late]
    assert logbook.answers.get(early.id) == judged
    assert logbook.answers.get(uuid4()) is None
    assert logbook.answers.to("4821") == [late]
    with pytest.raises(LogbookError):
        logbook.answers.add(late)


def test_answers_belong_to_the_prompt_that_had_the_code_then(logbook):
    """Half a year later another prompt has the code: neither is told what was said to the other."""
    old, new = prompt(created=NOON), prompt(created=NOON + 200 * DAY)
    with logbook.prompts.work() as book:
        book.save(old)
        book.save(new)
    said = [answer(at=at) for at in (NOON - HOUR, NOON + HOUR, NOON + 200 * DAY, NOON + 201 * DAY)]
    for one in said:
        logbook.answers.add(one)
    assert logbook.answers.about(old) == [said[1]]
    assert logbook.answers.about(new) == said[2:]


@pytest.mark.parametrize("code", ["", "4821 " * 1000, "'; --", "\x00\x00", "№☃"])
def test_whatever_somebody_types_is_kept(logbook, code):
    """No code breaks the logbook, on any database; the whole of it can be read back."""
    typed = answer(code)
    logbook.answers.add(typed)
    assert logbook.answers.get(typed.id) == typed


def test_entries_are_kept_and_chosen(logbook):
    """By skid, kind and time, oldest first; never written over."""
    at = datetime(2026, 3, 1, tzinfo=UTC)
    lab = Entry(id=uuid4(), at=at, kind="lab", skid="tf-skid-1", who="robin", data={"oil": 12.5, "unit": "mg/L"})
    work = Entry(id=uuid4(), at=at + HOUR, kind="work", who="sasha", text="new media")
    for one in (work, lab):
        logbook.entries.add(one)
    assert logbook.entries.all() == [lab, work]
    assert logbook.entries.all(kind="lab") == logbook.entries.all(skid="tf-skid-1") == [lab]
    assert logbook.entries.all(since=at + HOUR) == [work]
    with pytest.raises(LogbookError):
        logbook.entries.add(lab)
