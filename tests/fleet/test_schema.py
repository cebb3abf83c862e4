"""The JSON Schemas in docs are current, are schemas, and judge as the program does."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import yaml
from jsonschema import Draft202012Validator

from skidhand.fleet import schema
from tests.fleet.sample import SAMPLE, changed

FOLDER = Path(__file__).parents[2] / "docs" / "schemas"


def document(text: str):
    """The file as a program that knows only JSON would see it."""
    return json.loads(json.dumps(yaml.safe_load(text), default=str))


def test_schemas_are_current():
    """What lies in docs is what the models say now (python -m skidhand.fleet.schema docs/schemas)."""
    lie = {path.name: path.read_text(encoding="utf-8") for path in FOLDER.glob("*.json")}
    assert lie == {name: schema.render(one) for name, one in schema.schemas().items()}


def test_schemas_are_schemas():
    """Each follows the dialect that it names, and the shapes that rooms share are all there."""
    found = schema.schemas()
    assert {"fleet-file.json", "finding.json", "prompt.json", "answer.json", "heartbeat.json"} <= set(found)
    for one in found.values():
        Draft202012Validator.check_schema(one)


def test_the_sample_follows_the_schema():
    """An independent validator takes the sample by our schema."""
    validator = Draft202012Validator(schema.schemas()["fleet-file.json"])
    assert [error.message for error in validator.iter_errors(document(SAMPLE))] == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("owner: Heron", "ownr: Heron"),
        ("id: hd-2", "id: hd/2"),
        ("design_flow: 100", "design_flow: 0"),
        ("version: 1", "version: 2"),
        ("placements: [{site: heron-2, from: 2026-02-01T06:00:00Z}]", "placements: []"),
    ],
)
def test_what_is_wrong_breaks_the_schema(old, new):
    """An independent validator refuses by our schema what the program refuses."""
    text, _ = changed(old, new)
    validator = Draft202012Validator(schema.schemas()["fleet-file.json"])
    assert list(validator.iter_errors(document(text)))


def test_writing_clears_what_is_gone(tmp_path):
    """Schemas of shapes that there are no more do not stay behind."""
    (tmp_path / "old-shape.json").write_text("{}", encoding="utf-8")
    schema.write(tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == set(schema.schemas())
