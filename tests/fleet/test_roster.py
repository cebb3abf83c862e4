"""The roster: numbers, shifts through the nights in which clocks change, cover, holidays, and the proof."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from skidhand.errors import FleetFileError
from skidhand.fleet import parse_fleet
from skidhand.fleet.duty import PROVED, holes, on_duty

HEAD = """
version: 1
fleet: Tansy Flat reuse
sites: [{id: tansy-4, name: Tansy 4 pad, timezone: America/Chicago}]
skids: [{id: s-1, name: Skid 1, placements: [{site: tansy-4, from: 2026-01-15}], instruments: {}}]
roster:
  people:
    - {id: robin, name: Robin Vale, phone: "+12025550101", skills: [filters]}
    - {id: sasha, name: Sasha Moor, phone: "+12025550102"}
    - {id: kim, name: Kim Ashdown, email: kim@tansyflat.example}
"""
SHIFTS = """
  duties:
    - shifts:
        - {people: [robin], from: "06:00", to: "18:00"}
        - {people: [sasha], from: "18:00", to: "06:00"}
"""
START = datetime(2026, 2, 1, tzinfo=UTC)


def fleet(text=SHIFTS):
    """The fleet with that end of its roster."""
    return parse_fleet(HEAD + text).fleet


def on(text, local, severity="high"):
    """Who is on duty at an UTC time."""
    return [p.id for p in on_duty(fleet(text), "tansy-4", datetime.fromisoformat(local + "+00:00"), severity)]


@pytest.mark.parametrize(
    ("utc", "who"),
    [
        ("2026-03-02T11:59", "sasha"),  # 05:59
        ("2026-03-02T12:00", "robin"),  # 06:00
        ("2026-03-03T00:00", "sasha"),  # 18:00
        ("2026-03-08T07:59", "sasha"),  # 01:59, a minute before the clocks go on
        ("2026-03-08T08:00", "sasha"),  # 03:00
        ("2026-03-08T11:00", "robin"),  # 06:00 of summer time: the night had 11 hours
        ("2026-11-01T06:30", "sasha"),  # 01:30, the first
        ("2026-11-01T07:30", "sasha"),  # 01:30, the second
        ("2026-11-01T12:00", "robin"),  # 06:00 of winter time: the night had 13 hours
    ],
)
def test_shifts_follow_the_sites_clock(utc, who):
    """Also in the nights in which it changes: no hole, and no hour that is two people's."""
    assert on(SHIFTS, utc) == [who]


@pytest.mark.parametrize("start", ["2026-02-20", "2026-10-20"])
def test_two_shifts_that_meet_leave_no_hole_over_a_change_of_clocks(start):
    """Eight weeks with a change of the clocks in them are proved for every severity."""
    begin = datetime.fromisoformat(start).replace(tzinfo=UTC)
    assert list(holes(fleet(), begin, begin + PROVED)) == []


def test_the_first_hole_is_named():
    """A shift that ends at 05:00 leaves an hour; a weekday that nobody has is found at its first minute."""
    gap = SHIFTS.replace('to: "06:00"', 'to: "05:00"')
    found = list(holes(fleet(gap), START, START + PROVED))
    assert [(one.site, one.severity) for one in found] == [("tansy-4", s) for s in ("low", "medium", "high")]
    assert {one.at for one in found} == {datetime(2026, 2, 1, 11, tzinfo=UTC)}
    days = SHIFTS.replace('from: "06:00"', 'days: [mon, tue, wed, thu, fri, sat], from: "06:00"')
    first = next(holes(fleet(days), datetime(2026, 2, 2, tzinfo=UTC), START + PROVED))
    assert first.at == datetime(2026, 2, 8, 12, tzinfo=UTC), "Sunday 06:00"


def test_somebody_without_a_telephone_can_not_be_told_what_may_not_wait():
    """An e-mail address serves low severity only, and a duty may be for some severities."""
    found = {one.severity for one in holes(fleet("  duties: [{people: [kim]}]\n"), START, START + PROVED)}
    assert found == {"medium", "high"}
    split = "  duties: [{people: [robin], severities: [high, medium]}, {people: [kim], severities: [low]}]\n"
    assert list(holes(fleet(split), START, START + PROVED)) == []
    assert (on(split, "2026-03-02T12:00"), on(split, "2026-03-02T12:00", "low")) == (["robin"], ["kim"])


def test_cover_stands_in_and_an_absence_without_one_is_a_hole():
    """Days of the site; cover of a cover is followed; two that cover each other are nobody."""
    covered = SHIFTS + "  cover: [{person: robin, by: sasha, from: 2026-03-02, to: 2026-03-03}]\n"
    assert on(covered, "2026-03-02T18:00") == ["sasha"]
    assert on(covered, "2026-03-04T18:00") == ["robin"]
    away = SHIFTS + "  cover: [{person: robin, from: 2026-03-02, to: 2026-03-02}]\n"
    assert next(holes(fleet(away), START, START + PROVED)).at == datetime(2026, 3, 2, 12, tzinfo=UTC)
    ring = covered.replace(
        "to: 2026-03-03}", "to: 2026-03-03}, {person: sasha, by: robin, from: 2026-03-02, to: 2026-03-03}"
    )
    assert on(ring, "2026-03-02T18:00") == []


def test_crews_take_turns_and_holidays_are_worked_like_sundays():
    """A crew changes after ``every`` days; the base people come behind whoever has the shift."""
    crews = "  duties: [{people: [kim], shifts: [{crews: [[robin], [sasha]], start: 2026-01-05, every: 14}]}]\n"
    assert on(crews, "2026-01-06T12:00") == ["robin", "kim"]
    assert on(crews, "2026-01-19T12:00") == ["sasha", "kim"]
    assert on(crews, "2026-02-02T12:00") == ["robin", "kim"]
    week = "  duties: [{people: [kim], shifts: [{people: [robin], days: [mon, tue, wed, thu, fri]}]}]\n"
    assert on(week, "2026-03-02T18:00") == ["robin", "kim"]
    assert on(week + "  holidays: [2026-03-02]\n", "2026-03-02T18:00") == ["kim"]


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('"+12025550101"', '"+1202555010"', "check its length"),
        ('"+12025550101"', '"+9990000001"', "+9990000001"),
        ('"+12025550102"', '"+12025550101"', "stands already for another person"),
        ("people: [robin], from", "people: [nobody], from", "no person 'nobody'"),
        ("people: [sasha], from", "from", "a shift has either 'people', or 'crews'"),
        ("  duties:", "  skills: {media_filter: welding}\n  duties:", "nobody has the skill 'welding'"),
        ("  duties:", "  escalation: {minutes: [30, 15]}\n  duties:", "the steps must rise"),
        ("  duties:", "  dispatcher: nobody\n  duties:", "no person 'nobody'"),
        ("  duties:", "  cover: [{person: robin, from: 2026-03-03, to: 2026-03-02}]\n  duties:", "before leaving"),
    ],
)
def test_what_is_wrong_is_told_with_its_line(old, new, told):
    """Numbers that no plan has (ITU-T E.164), names that are nobody's, steps that fall."""
    text = (HEAD + SHIFTS).replace(old, new, 1)
    with pytest.raises(FleetFileError) as error:
        parse_fleet(text)
    assert told in str(error.value)
    assert "fleet file:" in str(error.value)


def test_the_proof_is_quick_enough_for_a_large_fleet():
    """Eight weeks of hours are some thousand moments a site; moments between shifts are looked at as well."""
    half = (
        SHIFTS.replace('"06:00"', '"06:30"')
        .replace('from: "18:00"', 'from: "18:45"')
        .replace('to: "18:00"', 'to: "18:15"')
    )
    first = next(holes(fleet(half), START, START + timedelta(days=3)))
    assert first.at == datetime(2026, 2, 1, 0, 15, tzinfo=UTC)
