"""Scenario files: what is wrong is named with file, field, value and valid choices."""

from pathlib import Path

import pytest

from simulator import load_scenario, packaged_scenarios
from skidhand.errors import InputFileError
from tests.simulator.story import scenario

DOCS = Path(__file__).parents[2] / "docs"


@pytest.mark.parametrize(
    ("event", "message"),
    [
        ({"event": "gremlins", "at": 1, "hours": 1}, r"story\.0\.event: no fault or look-alike 'gremlins'.*oil-slug"),
        ({"event": "oil-slug", "at": -1, "hours": 1}, r"story\.0\.at: .*greater than or equal to 0 \(got -1\)"),
        ({"event": "oil-slug", "at": 1}, r"story\.0\.hours: Field required"),
        ({"event": "sensor-freeze", "at": 1, "hours": 1}, r"story\.0\.tag: .*\(got None\): AT-110"),
        ({"event": "sensor-freeze", "at": 1, "hours": 1, "tag": "XX-1"}, r"got 'XX-1'.*PT-201"),
        ({"event": "sensor-freeze", "at": 1, "hours": 1, "tag": "XS-100"}, r"XS-100 is a state or total"),
        ({"event": "analyser-fouling", "at": 1, "hours": 1, "tag": "PT-201"}, r"PT-201 measures '\[psi\]'; .*mg/L"),
        ({"event": "counter-slips", "at": 1, "hours": 1, "tag": "PT-201"}, r"PT-201 is no meter's total"),
        ({"event": "oil-slug", "at": 1, "hours": 1, "tag": "PT-201"}, r"strikes no instrument \(got 'PT-201'\)"),
        ({"event": "oil-slug", "at": 1, "hours": 1, "colour": "red"}, r"story\.0\.colour: Extra inputs"),
    ],
)
def test_a_wrong_event_is_named(tmp_path, event, message):
    """The error carries the file's name, the field, what it got and what would do."""
    with pytest.raises(InputFileError, match=r"test\.yaml: .*" + message):
        scenario(tmp_path, [event])


def test_a_fault_needs_the_unit_that_it_strikes(tmp_path):
    """Skid 3 has no cyclone, so its ports cannot plug."""
    with pytest.raises(InputFileError, match="needs a hydrocyclone; tf-skid-3 has feed_pump, media_filter"):
        scenario(tmp_path, [{"event": "reject-ports-plugging", "at": 1, "hours": 1}], skid="tf-skid-3")


def test_an_unknown_skid_is_named_with_the_known_ones(tmp_path):
    """A story for a skid that is not in the fleet would never be played."""
    with pytest.raises(InputFileError, match="no skid 'tf-skid-9' in the fleet; there are tf-skid-1"):
        scenario(tmp_path, [], skid="tf-skid-9")


def test_an_unknown_name_lists_the_packaged_scenarios():
    """A name that is no file and no packaged scenario says which there are."""
    with pytest.raises(InputFileError, match=r"no scenario 'nowhere'.*calm, demo, hard-week"):
        load_scenario("nowhere")


def test_files_that_cannot_be_read_are_named(tmp_path):
    """A missing file, broken YAML and a missing fleet each name the file."""
    with pytest.raises(InputFileError, match=r"gone\.yaml: cannot read"):
        load_scenario(tmp_path / "gone.yaml")
    (tmp_path / "broken.yaml").write_text("a: [", encoding="utf-8")
    with pytest.raises(InputFileError, match=r"broken\.yaml: cannot read"):
        load_scenario(tmp_path / "broken.yaml")
    (tmp_path / "s.yaml").write_text(
        "{version: 1, scenario: x, fleet: nofleet, start: 2026-03-02T00:00:00Z, hours: 1}", encoding="utf-8"
    )
    with pytest.raises(InputFileError, match=r"s\.yaml: fleet: no file 'nofleet'"):
        load_scenario(tmp_path / "s.yaml")


def test_every_packaged_scenario_is_documented_with_its_picture():
    """At least five, each with a line about it in the file and a paragraph and a picture on the page."""
    page = (DOCS / "simulator.md").read_text(encoding="utf-8")
    names = packaged_scenarios()
    assert len(names) >= 5
    for name in names:
        assert len(load_scenario(name).file.about) > 30, name
        assert f"**{name}**: " in page, name
        assert f"(simulator/{name}.png)" in page, name
        assert (DOCS / "simulator" / f"{name}.png").stat().st_size > 20_000, name
