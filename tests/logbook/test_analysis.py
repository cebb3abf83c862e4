"""What analytics commits: findings, memory, cursor and snapshots, all or nothing, by the lease's holder alone."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from skidhand.errors import LogbookError
from skidhand.logbook.analysis import Standing, Worked
from skidhand.model.finding import Finding, finding_id

NOON = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


def finding(skid="s1", run="1", revision=1, state="open", onset=NOON, **changes):
    """A finding on a filter."""
    given = {
        "id": finding_id(skid, "filter-a", "dp-rise", run), "revision": revision, "state": state, "kind": "dp-rise",
        "site": "tansy-4", "skid": skid, "unit": "filter-a", "run_key": run, "onset": onset, "detected": onset,
        "severity": "medium", "confidence": 0.5, "cause_class": "operation", "detector": "t", "detector_version": 1,
        "fleet_version": "0" * 64, "watermark": onset,
    }  # fmt: skip
    return Finding.model_validate(given | changes)


@pytest.fixture
def book(logbook):
    """The part of analytics, with the lease on skid s1."""
    assert logbook.leases.take("analyze:s1", "me")
    return logbook.analysis


def test_a_commit_is_read_back_whole(book, logbook):
    """Standing, findings and inbox are there together; bytes and cursor as they went in."""
    assert book.standings() == {}
    standing = Standing("s1", "cursor-1", NOON, b"\x00state\xff")
    one = finding()
    book.commit(Worked(standing, [one]), owner="me")
    assert book.standings() == {"s1": standing}
    assert book.current() == [one]
    assert logbook.prompts.inbox_depth() == 1


def test_the_last_revision_counts_and_all_are_kept(book, logbook):
    """Rows are append-only by (id, revision)."""
    first, second = finding(), finding(revision=2, severity="high")
    book.commit(Worked(Standing("s1", None, NOON, b""), [first]), owner="me")
    book.commit(Worked(Standing("s1", None, NOON + HOUR, b""), [second]), owner="me")
    assert book.current() == [second]
    assert book.history(first.id) == [first, second]
    assert logbook.look.finding(first.id) == second


def test_a_revision_that_stands_is_never_written_over(book):
    """A second row of one revision is refused, and nothing else of that commit is left behind."""
    book.commit(Worked(Standing("s1", "a", NOON, b"a"), [finding()]), owner="me")
    with pytest.raises(LogbookError):
        book.commit(Worked(Standing("s1", "b", NOON + HOUR, b"b"), [finding(run="2"), finding()]), owner="me")
    assert book.standings()["s1"] == Standing("s1", "a", NOON, b"a")
    assert len(book.current()) == 1


def test_only_the_leases_holder_commits(book, logbook):
    """Of several skids committed together, those whose lease was lost are left out and named with their holder."""
    logbook.leases.take("analyze:s2", "other")
    skids = [Worked(Standing(skid, None, NOON, b""), [finding(skid=skid)]) for skid in ("s1", "s2", "s3")]
    assert book.commit(*skids, owner="me") == {"s2": "other", "s3": ""}
    assert [f.skid for f in book.current()] == ["s1"]
    assert book.standings().keys() == {"s1"}
    assert logbook.prompts.inbox_depth() == 1


def test_skids_of_one_commit_stand_or_fall_together(book, logbook):
    """What cannot be written of one skid leaves nothing of the others behind either: a kill in between is the same."""
    logbook.leases.take("analyze:s2", "me")
    good = Worked(Standing("s1", "a", NOON, b"a"), [finding()])
    bad = Worked(Standing("s2", "a", NOON, b"a"), [finding(skid="s2"), finding(skid="s2")])
    with pytest.raises(LogbookError):
        book.commit(good, bad, owner="me")
    assert (book.standings(), book.current(), logbook.prompts.inbox_depth()) == ({}, [], 0)


def test_current_findings_are_chosen(book, logbook):
    """By skid and by onset; superseded ones only when asked for; oldest first."""
    logbook.leases.take("analyze:s2", "me")
    old, new = finding(onset=NOON - HOUR), finding(run="2")
    gone = finding(run="3", state="superseded", superseded_by=new.id)
    other = finding(skid="s2")
    book.commit(Worked(Standing("s1", None, NOON, b""), [new, old, gone]), owner="me")
    book.commit(Worked(Standing("s2", None, NOON, b""), [other]), owner="me")
    assert book.current(skid="s1") == [old, new]
    assert book.current(skid="s1", since=NOON) == [new]
    assert len(book.current(superseded=True)) == 4


def test_snapshots_are_found_dropped_and_rewound(book):
    """The last at or before a moment; a rewind drops those after it, the horizon those before."""
    marks = [(NOON + n * HOUR, bytes([n])) for n in range(4)]
    book.commit(Worked(Standing("s1", None, NOON, b""), snapshots_at=marks), owner="me")
    assert book.snapshot_before("s1", NOON - HOUR) is None
    assert book.snapshot_before("s1", NOON + 1.5 * HOUR) == marks[1]
    again = [(NOON + 2 * HOUR, b"new")]
    standing = Standing("s1", None, NOON, b"")
    late = Worked(standing, snapshots_at=again, rewound_to=NOON + HOUR, keep_snapshots_from=NOON + HOUR)
    book.commit(late, owner="me")
    assert book.snapshot_before("s1", NOON + 9 * HOUR) == again[0]
    assert book.snapshot_before("s1", NOON + HOUR) == marks[1]
    assert book.snapshot_before("s1", NOON) is None
