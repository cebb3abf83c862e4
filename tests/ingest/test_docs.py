"""What docs/ingest.md says is so."""

import re
from pathlib import Path

from ingest.doubts import MEANING as DOUBTS
from ingest.formats.senml_units import UCUM
from ingest.inbox import MAX_PAYLOAD
from ingest.reasons import MEANING
from ingest.refusal_log import EXCERPT_BYTES, KEPT
from ingest.router import MAX_POINTS, found_formats
from skidhand.model.quality import BAD, GOOD
from tests.ingest.support import outcome

PAGE = (Path(__file__).parents[2] / "docs" / "ingest.md").read_text(encoding="utf-8")


def test_the_example_is_taken_as_described():
    """The payload of the page, sent as it stands, is stored with the qualities that the page gives."""
    example = re.search(r"```json\n(.*?)```", PAGE, re.DOTALL).group(1)
    got = outcome(example.encode())
    assert got.refused == {}
    assert got.values == {"PDT-301": 4.21, "FT-201": 39.8, "XS-301": 1.0, "AT-301": None}
    assert got.quality == {"PDT-301": GOOD, "FT-201": 1083179008, "XS-301": GOOD, "AT-301": BAD}


def test_the_units_of_senml_are_those_of_the_code():
    """The page lists each SenML unit that is read, and no other."""
    listed = PAGE.partition("Units that are read:")[2].partition("A pressure")[0]
    assert sorted(re.findall(r"`([^`]+)`", listed)) == sorted(UCUM)


def test_the_senml_example_is_taken_as_described():
    """The pack of the page gives its three values at its times."""
    pack = re.search(r"## SenML.*?```json\n(.*?)```", PAGE, re.DOTALL).group(1)
    readings = found_formats()["senml"].decode("skidhand/a/b/senml", pack.encode()).readings
    got = [(reading.time_us, list(reading.values.values())) for reading in readings]
    assert got == [(1_772_366_400_000_000, [482633, 21.5]), (1_772_366_405_000_000, [True])]
    assert readings[0].short_names["urn:dev:mac:0024befffe804ff1:PT-201"] == "PT-201"


def test_every_reason_stands_in_the_table():
    """The page lists each reason with its meaning, and no other."""
    assert dict(
        re.findall(r"^\| `([a-z0-9-]+)` \| (.*) \|$", PAGE.partition("## What is refused")[2], re.MULTILINE)
    ) == {reason.value: meaning for reason, meaning in MEANING.items()}


def test_every_doubt_stands_in_the_table():
    """The page lists each doubt with its meaning, and no other."""
    table = PAGE.partition("## What is doubted")[2].partition("##")[0]
    told = dict(re.findall(r"^\| `([a-z0-9-]+)` \| (.*) \| [^|]* \|$", table, re.MULTILINE))
    assert told == {doubt.value: meaning for doubt, meaning in DOUBTS.items()}


def test_limits_are_those_of_the_code():
    """Numbers that the page and the reasons' meanings give."""
    assert (MAX_PAYLOAD, MAX_POINTS, KEPT, EXCERPT_BYTES) == (1_000_000, 10_000, 1000, 200)
    assert "over 1 MB" in PAGE
    assert "last 1,000 refusals (topic, detail, first 200 bytes)" in PAGE
