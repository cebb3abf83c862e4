"""Errors of a fleet file name file, line, value and the valid choices."""

from __future__ import annotations

import hashlib
from itertools import pairwise

import pytest

from skidhand.errors import FleetFileError
from skidhand.fleet import load_fleet, parse_fleet
from tests.fleet.sample import SAMPLE, changed

WRONG = {
    "unknown top key": ("owner: Heron", "ownr: Heron", ["ownr", "Extra inputs"]),
    "unknown unit type": ("type: feed_pump", "type: feedpump", ["'feedpump'", "hydrocyclone, media_filter, outlet"]),
    "unknown role": ("level: LT-801", "lvl: LT-801", ["'lvl'", "dose_command, dose_flow, level, running"]),
    "unknown tag": ("level: LT-801", "level: LT-802", ["'LT-802'", "LT-101, LT-801"]),
    "unit of another dimension": ("dp: PDT-301", "dp: TT-150", ["TT-150", "'[degF]'", "'kPa'"]),
    "unknown UCUM code": ('FT-201: {unit: "[gal_us]/min"', 'FT-201: {unit: "gpm"', ["'gpm'", "UCUM"]),
    "falling range": ("range: [0, 80]", "range: [80, 0]", ["must rise", "[80.0, 0.0]"]),
    "unknown limit": ("{dp_terminal: 12}", "{dp_end: 12}", ["limit 'dp_end'", "dp_terminal, prompt_hours"]),
    "unknown parameter": ("height: 3}", "hight: 3}", ["parameter 'hight'", "area, height, outlet_height"]),
    "parameter of another dimension": ('unit: "[ft_i]2"', 'unit: "[psi]"', ["'[psi]'", "'m2'"]),
    "feeds nobody": ("feeds: [out]", "feeds: [outlet]", ["'outlet'", "cyclone, demulsifier"]),
    "feeds itself": ("feeds: [out]", "feeds: [filter-a]", ["cannot feed itself"]),
    "two units of one id": ("{id: pump,", "{id: tank,", ["'tank'", "2 times"]),
    "unknown time zone": ("timezone: UTC", "timezone: Heron", ["'Heron'", "America/Chicago"]),
    "placement at an unknown site": ("{site: heron-1, from", "{site: heron-9, from", ["'heron-9'", "heron-1, heron-2"]),
    "leaves before it arrives": ("to: 2026-03-08", "to: 2026-01-08", ["leaves 'heron-1' before it arrives"]),
    "id with a slash": ("id: hd-2", "id: hd/2", ["'hd/2'", "pattern"]),
    "tag with a slash": ("PT-201: {unit", "PT/201: {unit", ["PT/201", "pattern"]),
    "zero design flow": ("design_flow: 100", "design_flow: 0", ["greater than 0", "got 0"]),
    "flow unit that is none": ('flow_unit: "[gal_us]/min"', 'flow_unit: "m"', ["'m' is not a flow"]),
    "infinite number": ("design_flow: 100", "design_flow: .inf", ["finite"]),
    "spec without basis": ("basis: grab", "basis: daily", ["'daily'", "'grab'", "'1h'"]),
    "phone that is none": ('"+12025550100"', '"555 0100"', ["'555 0100'", "pattern"]),
    "duty of an unknown person": ("people: [reyes], sites", "people: [ruiz], sites", ["'ruiz'", "reyes"]),
    "duty at an unknown site": ("sites: [heron-1, heron-2]}", "sites: [heron]}", ["'heron'", "heron-1, heron-2"]),
    "bare ppm in salty water": (", basis: mass", "", ["ambiguous", "basis: mass"]),
    "replaces an unknown tag": ("interval: 5,", "replaces: FT-999,", ["'FT-999'", "FT-201"]),
    "limit below zero": ("{dp_terminal: 12}", "{dp_terminal: -12}", ["'dp_terminal'", "below zero", "-12"]),
    "parameter below zero": ("height: 3}", "height: -3}", ["'height'", "below zero", "-3"]),
    "salt in no unit of salt": ('tds_unit: "mg/L"', 'tds_unit: "m"', ["'m'", "'g/L'"]),
    "more salt than water": ("tds: 90000", "tds: 90000000", ["90000 g/L", "at most 500"]),
    "specification of nothing": ("limit: 15", "limit: -15", ["greater than 0", "got -15"]),
    "a date that is none": ("from: 2026-02-01T06:00:00Z", "from: 2026-13-01T06:00:00Z", ["'2026-13-01", "month"]),
    "a number that is none": ("design_flow: 100", "design_flow: 0x_", ["'0x_'"]),
    "one name on the wire twice": ('alias: "plc.flow"', "alias: FT-201", ["FT-201", "FT-301", "both"]),
}  # fmt: skip


def test_the_sample_is_right():
    """The sample that all these tests change is accepted as it stands."""
    version = parse_fleet(SAMPLE)
    assert [skid.id for skid in version.fleet.skids] == ["hd-1", "hd-2"]
    assert version.text == SAMPLE


@pytest.mark.parametrize(("old", "new", "told"), WRONG.values(), ids=WRONG.keys())
def test_an_error_names_its_line(old, new, told):
    """One thing wrong gives one message, with file, line, what was found and what would be valid."""
    text, line = changed(old, new)
    with pytest.raises(FleetFileError) as caught:
        parse_fleet(text, "heron.yaml")
    (message,) = str(caught.value).splitlines()
    assert message.startswith(f"heron.yaml:{line}: ")
    assert [part for part in told if part not in message] == []


def test_two_sites_of_one_id():
    """An id that stands twice is told at the second."""
    text, line = changed("{id: heron-2, name", "{id: heron-1, name")
    with pytest.raises(FleetFileError) as caught:
        parse_fleet(text, "f")
    assert f"f:{line}: sites.1.id: 'heron-1' stands 2 times" in str(caught.value)


@pytest.mark.parametrize("value", [".nan", "tall", "{value: 3}", "[3, m]"])
def test_a_parameter_that_is_no_number(value):
    """Whatever stands for a number, each message names the parameter's line."""
    text, line = changed("height: 3}", f"height: {value}}}")
    with pytest.raises(FleetFileError) as caught:
        parse_fleet(text, "f")
    messages = str(caught.value).splitlines()
    assert [m for m in messages if not m.startswith(f"f:{line}: skids.0.units.0.params.height")] == []


def test_all_errors_at_once():
    """Errors of one check are told together, so that nobody mends a file one line a run."""
    text = SAMPLE.replace("level: LT-801", "level: LT-802").replace("{dp_terminal: 12}", "{dp_end: 12}")
    with pytest.raises(FleetFileError) as caught:
        parse_fleet(text)
    assert len(str(caught.value).splitlines()) == 2


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("version: 1\nfleet: [\n", "f:3: not valid YAML"),
        ("version: 1\nfleet: a\nversion: 1\n", "f:3: 'version' stands already on line 1"),
        ("version: 1\nsites:\n  - {id: a, id: b}\n", "f:3: 'id' stands already on line 3"),
        ("", "f:1: a fleet file is a mapping"),
        ("- version: 1\n", "f:1: a fleet file is a mapping"),
        ("version: 2\nfleet: a\n", "version must be 1, got 2"),
        ("fleet: a\n", "version must be 1, got None"),
        ("version: 1\nfleet: a\nsites: []\n", "f:3: sites: "),
        ("version: 1\nfleet: a\nsites: !!python/object:os.system {}\n", "f:3: not valid YAML"),
    ],
)
def test_what_is_no_fleet_file(text, told):
    """Broken YAML, repeated keys, an empty file and another version are told with their line."""
    with pytest.raises(FleetFileError) as caught:
        parse_fleet(text, "f")
    assert told in str(caught.value)


def test_aliases_of_aliases_are_read_once():
    """Aliases that unfold to a thousand million nodes, or into themselves, are told at once."""
    names = "abcdefghij"
    text = "version: 1\na: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
        f"{name}: &{name} [{', '.join([f'*{last}'] * 9)}]\n" for last, name in pairwise(names)
    )
    for broken in (text, "version: 1\na: &a [*a]\n", "[" * 100_000):
        with pytest.raises(FleetFileError, match=r"Extra inputs|nested|not valid YAML"):
            parse_fleet(broken, "f")


def test_unreadable_files(tmp_path):
    """A file that is not there, or is no UTF-8 text, is named."""
    binary = tmp_path / "fleet.yaml"
    binary.write_bytes(b"\xff\xfe\x00")
    for path in (binary, tmp_path / "missing.yaml", tmp_path):
        with pytest.raises(FleetFileError, match="cannot read the fleet file") as caught:
            load_fleet(path)
        assert str(caught.value).startswith(f"{path}: ")


def test_a_version_goes_by_its_text(tmp_path):
    """The digest is the SHA-256 of the text; another text, if only by a comment, is another version."""
    path = tmp_path / "fleet.yaml"
    path.write_text(SAMPLE, encoding="utf-8")
    version = load_fleet(path)
    assert version.digest == hashlib.sha256(SAMPLE.encode()).hexdigest()
    assert parse_fleet(SAMPLE + "# moved\n").digest != version.digest
