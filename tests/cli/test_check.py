"""``check``: right or wrong, watched or not and why, and into force."""

from __future__ import annotations

import json

import pytest

from skidhand.fleet import parse_fleet
from skidhand.fleet.coverage import NO_DETECTOR, coverage
from skidhand.logbook import Logbook
from skidhand.model.kinds import KINDS
from tests.fleet.sample import SAMPLE, changed


@pytest.fixture
def fleet(home):
    """The sample as a file."""
    path = home / "fleet.yaml"
    path.write_text(SAMPLE, encoding="utf-8")
    return path


def test_a_right_file(run, fleet):
    """A right file ends with 0: the table on stdout, the summary on stderr."""
    ran = run("check", fleet)
    assert ran.code == 0
    assert "Heron Draw reuse: 2 sites, 2 skids" in ran.err
    assert "dp-rise" in ran.out


def test_a_wrong_file(run, home):
    """A wrong file is the answer no: 1, every error with its line on stderr, nothing on stdout."""
    text, line = changed("level: LT-801", "level: LT-802")
    (home / "wrong.yaml").write_text(text, encoding="utf-8")
    ran = run("check", "wrong.yaml")
    assert (ran.code, ran.out) == (1, "")
    assert ran.err.startswith(f"wrong.yaml:{line}: ")


def test_a_language_without_words_is_warned_of(run, home):
    """Who would be written to in English against the roster's word is named; the file is right all the same."""
    for language, warned in (("fr", True), ("es", False)):
        text, _ = changed("name: M. Reyes", f"name: M. Reyes, language: {language}")
        (home / "spoken.yaml").write_text(text, encoding="utf-8")
        ran = run("check", "spoken.yaml")
        assert ran.code == 0
        assert ("reyes speaks 'fr', which has no words here" in " ".join(ran.err.split())) is warned


def test_no_file(run, home):
    """A file that is not there is wrong use."""
    assert run("check", "missing.yaml").code == 2


def test_every_kind_is_accounted_for(run, fleet):
    """Each unit names every kind of finding that may arise on it, as watched or with the reason why not."""
    rows = json.loads(run("check", fleet, "--format", "json").out)
    for unit in parse_fleet(SAMPLE).fleet.skid("hd-1").units:
        told = {row["kind"] for row in rows if (row["skid"], row["unit"]) == ("hd-1", unit.id)} - {""}
        assert told == {name for name, info in KINDS.items() if unit.type in info.on}
    assert [row for row in rows if row["kind"] and not row["watched"] and not row["note"]] == []


def test_what_is_missing_is_named(run, fleet):
    """A missing role is named; a missing parameter says what it costs; shared tanks are told of as well."""
    rows = json.loads(run("check", fleet, "--format", "json").out)
    notes = {(row["skid"], row["unit"], row["kind"]): row["note"] for row in rows}
    assert notes["hd-1", "tank", "sludge-build-up"] == "sludge_level"
    assert any(row["unit"] == "pump" and "displacement" in row["note"] and "slip" in row["note"] for row in rows)
    assert ("heron-1", "shared-oil", "tank-filling") in notes
    assert all(row["skid"] in {"hd-1", "hd-2", "heron-1"} for row in rows)


def test_silence_is_always_watched(run, fleet):
    """The loop raises no-data itself, on every skid and site, with or without a unit for the skid as a whole."""
    rows = json.loads(run("check", fleet, "--format", "json").out)
    watched = {row["skid"] for row in rows if row["kind"] == "no-data" and row["watched"]}
    assert watched == {"hd-1", "hd-2", "heron-1"}


class Toy:
    """A detector that watches dp-rise where there is a pressure drop."""

    name, version, kinds, unit_type = "toy", 1, frozenset({"dp-rise", "breakthrough"}), "media_filter"

    def needs(self, unit, skid):  # noqa: ARG002
        """One of its kinds needs a role, the other is never watched."""
        from analytics.detectors.base import Coverage

        if unit.has("dp"):
            return Coverage(frozenset({"dp-rise"}), ("no 'outlet_oil'",), ("a temperature would help",))
        return Coverage(frozenset(), ("no 'dp'",))


def test_detectors_are_asked(monkeypatch):
    """Watched, weaker and missing stand as the detector says, unit by unit."""
    from skidhand import plugins

    found = {"toy": plugins.Plugin("detector", "toy", Toy(), "toy", "")}
    real = plugins.load
    monkeypatch.setattr(plugins, "load", lambda kind: found if kind == "detector" else real(kind))
    rows = {(r["unit"], r["kind"]): r for r in coverage(parse_fleet(SAMPLE).fleet) if r["skid"] == "hd-1"}
    assert (rows["filter-a", "dp-rise"]["watched"], rows["filter-a", "dp-rise"]["note"]) == (
        True,
        "a temperature would help",
    )
    assert (rows["filter-a", "breakthrough"]["watched"], rows["filter-a", "breakthrough"]["note"]) == (
        False,
        "no 'outlet_oil'",
    )
    assert (rows["filter-b", "dp-rise"]["watched"], rows["filter-b", "dp-rise"]["note"]) == (False, "no 'dp'")
    assert rows["filter-a", "channelling"]["note"] == NO_DETECTOR


def test_apply(run, fleet, home):
    """--apply puts text, hash and effective time into the logbook, once."""
    assert run("check", fleet, "--apply", "--effective", "2026-01-15", "--who", "M. Reyes").code == 0
    again = run("check", fleet, "--apply")
    assert (again.code, "nothing changed" in again.err) == (0, True)
    with Logbook("skidhand-data/logbook.db") as book:
        ((effective, version),) = book.fleets.versions()
    assert (effective.isoformat(), version.text) == ("2026-01-15T00:00:00+00:00", SAMPLE)


def test_apply_refuses_another_unit(run, fleet, home):
    """A tag whose samples are stored in one unit cannot be put in force in another; the old file stays in force."""
    run("check", fleet, "--apply")
    text, line = changed('PT-201: {unit: "[psi]"}', 'PT-201: {unit: "kPa"}')
    fleet.write_text(text, encoding="utf-8")
    ran = run("check", fleet, "--apply")
    assert ran.code == 1
    assert f"fleet.yaml:{line}: " in ran.err
    with Logbook("skidhand-data/logbook.db") as book:
        assert [version.text for _, version in book.fleets.versions()] == [SAMPLE]


@pytest.mark.parametrize(
    "words", [("--effective", "2026-01-15"), ("--who", "x"), ("--apply", "--effective", "noon"),
              ("--apply", "--effective", "2026-01-15T12:00:00")],
)  # fmt: skip
def test_wrong_use(run, fleet, words):
    """Times need a zone, and both options belong to --apply."""
    assert run("check", fleet, *words).code == 2


def test_apply_in_stream_time(run, fleet, monkeypatch):
    """While a stream has announced nothing there is no now: --effective is needed."""
    monkeypatch.setenv("SKIDHAND_CLOCK", "stream")
    assert run("check", fleet, "--apply").code == 2
    assert run("check", fleet, "--apply", "--effective", "2026-01-15").code == 0
    monkeypatch.setenv("SKIDHAND_CLOCK", "wall")
    mixed = run("check", fleet, "--apply")
    assert (mixed.code, "stream time" in mixed.err) == (3, True)
