"""Entries, statements, their postings, work, and what pages read over and over: the same on every database."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from uuid import uuid4

import pytest

from skidhand.errors import LogbookError
from skidhand.logbook.analysis import Standing, Worked
from skidhand.logbook.entry_files import import_entries
from skidhand.logbook.postings import Posting
from skidhand.model.entry import Entry
from skidhand.model.prompt import Work
from skidhand.model.statement import Statement, digest_of
from tests.ingest.support import FLEET
from tests.logbook.test_analysis import HOUR, NOON, finding
from tests.logbook.test_prompts import answer, prompt

DAY = timedelta(days=1)


def entry(text="", at=NOON, **changes):
    """A note on a skid."""
    return Entry(**{"id": uuid4(), "at": at, "kind": "note", "skid": "s1", "who": "robin", "text": text} | changes)


def test_entries_are_found_by_their_words(logbook):
    """Every word must stand there, in any case; signs that a database's patterns know are only signs."""
    one, other = entry("Media 50% new_ one"), entry("media 50 of newer ones", at=NOON + HOUR, skid="s2")
    fleet = entry("media", at=NOON - HOUR, skid=None)
    assert logbook.entries.add_new([one, other, fleet]) == [True, True, True]
    found = logbook.entries.search
    assert found("MEDIA") == [other, one, fleet]
    assert found("media 50%") == found("new_") == found("one ROBIN 50%") == [one]
    assert found("media", skids=["s2"]) == [other, fleet]
    assert found("media", before=NOON, limit=5) == [fleet]
    assert found("media", limit=1) == [other]
    assert found("media", kind="work") == []
    assert logbook.entries.get(str(one.id)) == one
    assert logbook.entries.count(["note", "work"]) == 3


@pytest.mark.parametrize("text", ["'; --", "№☃", "a\\b", "\x00"], ids=["sql", "signs", "backslash", "nul"])
def test_an_entry_keeps_what_was_typed(logbook, text):
    """On any database, in its text and in its data; it is found again by it."""
    typed = entry(f"x{text}y", data={"note": text})
    logbook.entries.add(typed)
    assert logbook.entries.get(str(typed.id)) == typed
    assert logbook.entries.search("robin") == logbook.entries.search(f"x{text}y") == [typed]


def test_entries_of_one_file_are_all_written_or_none(logbook):
    """Those that stand already are told and not doubled; a failure among them leaves nothing."""
    one, other = entry("one"), entry("other")
    assert logbook.entries.add_new([one]) == [True]
    assert logbook.entries.add_new([one, other, other]) == [False, True, False]
    third = entry("third")

    def breaks():
        yield third
        raise LogbookError("in the middle")

    with pytest.raises(LogbookError):
        logbook.entries.add_new(breaks())
    assert logbook.entries.get(str(third.id)) is None


def test_a_file_that_is_read_twice_doubles_nothing(logbook):
    """Its bad line is told with its number each time."""
    lines = ["at,kind,skid,text", "2026-03-01T10:00Z,note,tf-skid-1,wet media", "yesterday,note,tf-skid-1,dry"]
    for new, known in ((1, 0), (0, 1)):
        told = import_entries(logbook.entries, FLEET.fleet, lines, who="robin", skids=None)
        assert (told.new, told.known, [number for number, _ in told.refused]) == (new, known, [3])


def test_a_statement_is_frozen_and_corrected_by_number(logbook):
    """The same figures are the same statement; others get the next number, and none is ever changed."""

    def told(figures):
        digest = digest_of(figures)
        return Statement(key="tansy-4 2026-03", issued=NOON, who="robin", digest=digest, figures=figures)

    book = logbook.statements
    first, again, corrected = (book.freeze(told({"m3": volume, "µ": [1, None]})) for volume in (1.5, 1.5, 2.5))
    assert first == again
    assert [each.number for each in (first, corrected)] == [0, 1]
    assert book.of("tansy-4 2026-03") == [first, corrected]
    assert book.of("another") == []


def test_postings_are_planned_once_and_wait_their_turn(logbook):
    """The longest due first; what was sent or refused waits no more."""
    book = logbook.postings
    late = Posting("b", "tansy-4", "2026-03", "robin", False, NOON)
    early = replace(late, id="a", due=NOON - DAY)
    assert [book.plan(late), book.plan(early), book.plan(late)] == [True, True, False]
    assert book.waiting(NOON - HOUR) == [early]
    assert book.waiting(NOON) == [early, late]
    sent = replace(early, state="sent", sent=NOON, attempts=1)
    book.save(sent)
    assert (book.waiting(NOON), book.all(), book.counts()) == ([late], [sent, late], {"sent": 1, "waiting": 1})


def test_work_is_told_by_its_begin(logbook):
    """Of one skid or all; what has ended is not open, and no id stands twice."""
    base = {"who": "robin", "until": NOON + DAY}
    later = Work(id=uuid4(), skid="s1", begins=NOON + HOUR, **base)
    first, over = (
        Work(id=uuid4(), skid="s2", begins=NOON, **base),
        Work(id=uuid4(), skid="s1", begins=NOON - DAY, ended=NOON, **base),
    )
    for one in (later, first, over):
        logbook.work.add(one)
    assert logbook.work.all() == [over, first, later]
    assert (logbook.work.open(), logbook.work.open("s1")) == ([first, later], [later])
    assert sorted(logbook.look.work(), key=lambda one: one.begins) == [first, later]
    with pytest.raises(LogbookError):
        logbook.work.add(first)


def test_pages_read_the_newest_of_each_finding(logbook):
    """By state, site and time; the pulse moves with findings, prompts and answers, and with nothing else."""
    look, pulses = logbook.look, []
    assert logbook.leases.take("analyze:s1", "me")

    def write(*some, cursor):
        logbook.analysis.commit(Worked(Standing("s1", cursor, NOON, b""), list(some)), owner="me")
        pulses.append(look.pulse())

    pulses.append(look.pulse())
    one, two, gone = finding(), finding(run="2", onset=NOON + HOUR, site="sedge-2"), finding(run="3")
    write(one, two, gone, cursor="a")
    worse, over = finding(revision=2, severity="high"), finding(run="2", revision=2, state="closed", ended=NOON + DAY,
        onset=NOON + HOUR, site="sedge-2")  # fmt: skip
    write(worse, over, finding(run="3", revision=2, state="superseded"), cursor="b")
    asked = {"skids": ["s1"], "sites": None}
    assert look.findings(**asked) == [over, worse]
    assert look.findings(**asked, limit=1, offset=1) == [worse]
    assert look.findings(skids=["s1"], sites=["sedge-2"]) == [over]
    assert look.findings(**asked, state="open") == [worse]
    assert look.findings(**asked, overlaps=(NOON + 2 * DAY, NOON + 3 * DAY)) == [worse]
    assert look.findings(skids=["s2"], sites=None) == []
    assert look.standing({}) == {(str(worse.id), 2): worse}
    assert look.named([one.id, two.id, uuid4()]) == {one.id: worse, two.id: over}
    assert (look.finding(one.id), look.finding(uuid4())) == (worse, None)
    with logbook.prompts.work() as book:
        book.save(mine := prompt(skid="s1", created=NOON))
        book.save(closed := prompt("1111", "cleared", skid="s1", created=NOON + HOUR, site="sedge-2"))
    pulses.append(look.pulse())
    logbook.answers.add(answer())
    pulses.append(look.pulse())
    assert len(set(pulses)) == len(pulses)
    logbook.entries.add(entry("a note"))
    assert look.pulse() == pulses[-1]
    assert look.prompts(**asked, open_only=False) == [closed, mine]
    assert look.prompts(**asked, open_only=True) == [mine]
    assert look.prompts(skids=["s1"], sites=["tansy-4"], open_only=False) == [mine]
