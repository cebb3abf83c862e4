"""The contract of payload formats, over every member that is found; and what no sender can break."""

import copy
import json
import math

import pyarrow as pa
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from ingest.formats.base import Decoded, Format, Reading
from ingest.inbox import message
from ingest.judge import EARLIEST_US, STAGES
from ingest.reasons import Reason
from ingest.router import Router, found_formats
from skidhand import plugins
from skidhand.model.quality import MAX_STATUS, is_bad
from tests.ingest.support import LOOKUP, NOON_US, TOPIC, outcome

patient = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])

FORMATS = sorted(found_formats().items())
each_format = pytest.mark.parametrize("member", [member for _, member in FORMATS], ids=[name for name, _ in FORMATS])

TAGS = [*LOOKUP.assets["tf-skid-1"].codes, "ZT-999", "=1+1", "a/b", ""]
scalars = (
    st.none() | st.booleans() | st.integers() | st.integers(10**300, 10**400) | st.floats() | st.text(max_size=8)
    | st.sampled_from(["2026-03-01T12:00:00Z", "1990-12-31T23:59:60Z", 1772366400000, 1e999, "\ud800"])
)  # fmt: skip
keys = st.sampled_from([*TAGS, "time", "values", "status", "v"]) | st.text(max_size=5)
anything = st.recursive(
    scalars, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(keys, inner, max_size=5), max_leaves=20
)
near_misses = st.fixed_dictionaries(
    {"time": st.just(1772366400000) | scalars, "values": st.dictionaries(st.sampled_from(TAGS), anything, max_size=6)},
    optional={"status": st.dictionaries(st.sampled_from(TAGS), anything, max_size=4), "v": scalars},
)


def test_json_is_found_by_the_plug_in_door():
    """The built-in format comes in as one from outside would."""
    assert "json" in found_formats()
    assert plugins.get("format", "json").topics == ("skidhand/+/+/samples",)


@each_format
def test_a_member_has_all_that_the_protocol_asks(member):
    """Name, topic filters that a broker accepts, decode."""
    assert isinstance(member, Format)
    assert member.name == member.name.lower()
    assert member.topics
    for topic in member.topics:
        assert topic.startswith(("skidhand/", "spBv1.0/"))
        assert all(level in ("+", "#") or not set(level) & set("+#") for level in topic.split("/"))


@each_format
@patient
@given(raw=st.binary(max_size=200))
@example(raw=b"[" * 2000)
@example(raw=b'{"a":' * 2000)
def test_any_bytes_are_read_or_counted(member, raw):
    """Decoding never raises, is the same twice, and bytes that give no reading are counted, save empty lists."""
    topic = member.topics[0].replace("+", "x").replace("#", "x")
    first, second = member.decode(topic, raw), member.decode(topic, raw)
    assert first == second
    assert first.readings or first.refused.total or raw.strip() == b"[]"


@patient
@given(st.binary(max_size=200))
def test_any_bytes_pass_the_judge(raw):
    """Whatever arrives, the worker goes on and what it keeps is sound."""
    sound(outcome(raw).samples)


@patient
@given(st.one_of(anything, near_misses, st.lists(near_misses, max_size=4)), st.booleans())
def test_any_json_passes_the_judge(document, own_time):
    """Also JSON that is nearly right, with NaN, infinities and lone surrogates."""
    text = json.dumps(document)
    got = outcome(text.encode("utf-8", "surrogatepass"), own_time=own_time)
    sound(got.samples, latest_us=2**62 if own_time else NOON_US + 86_400_000_000)
    assert len(got.samples) + sum(got.refused.values()) >= points(json.loads(text))


@patient
@given(st.dictionaries(st.sampled_from(TAGS[:5]), st.floats(allow_nan=False, allow_infinity=False)))
def test_values_are_never_altered(values):
    """Every finite number comes out bit for bit, whatever its range says."""
    got = outcome(json.dumps({"time": 1772366400000, "values": values}).encode())
    codes = LOOKUP.assets["tf-skid-1"].codes
    names = LOOKUP.series.to_pylist()
    expected = [(names[codes[tag]], math.copysign(1, value), value) for tag, value in values.items()]
    taken = zip(got.samples["series"].to_pylist(), got.samples["value"].to_pylist(), strict=True)
    assert [(series, math.copysign(1, value), value) for series, value in taken] == expected


def test_no_stage_alters_a_reading():
    """Judging leaves the decoded reading as it was, refused or not."""
    raw = json.dumps({"time": 1772366400000, "values": {"FT-201": 99, "x": 1, "AT-301": None}}).encode()
    decoded = found_formats()["json"].decode(TOPIC, raw)
    before = copy.deepcopy(decoded.readings)
    outcome(raw)
    assert decoded.readings == before
    assert len(STAGES) == len(set(STAGES))


def test_a_format_that_fails_costs_its_message_alone():
    """A plug-in's defect is counted and logged, and the worker goes on."""

    class Broken:
        name = "broken"
        topics = ("skidhand/+/+/broken",)

        def decode(self, _topic: str, _payload: bytes) -> Decoded:
            raise ZeroDivisionError

    router = Router({"broken": Broken(), **found_formats()})
    refused = router.decode(message("skidhand/a/b/broken", b"", 0)).refused
    assert list(refused.by_reason) == [Reason.FORMAT_FAILED]
    assert isinstance(router.decode(message(TOPIC, b'{"time": 1, "values": {}}', 0)).readings[0], Reading)


def sound(samples: pa.Table, latest_us: int = NOON_US + 86_400_000_000) -> None:
    """What must hold of every sample that ingest lets through."""
    for row in samples.to_pylist():
        assert row["series"] in LOOKUP.series.to_pylist()
        assert 0 <= row["quality"] <= MAX_STATUS
        assert (row["value"] is None and is_bad(row["quality"])) or math.isfinite(row["value"])
    for value in samples["time"]:
        assert EARLIEST_US <= value.value <= latest_us


def points(document: object) -> int:
    """How many values a document offers where its shape is right, else one for each object."""
    items = document if isinstance(document, list) else [document]
    return sum(
        len(item["values"]) if isinstance(item, dict) and isinstance(item.get("values"), dict) else 1 for item in items
    )
