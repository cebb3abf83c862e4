"""Sparkplug B's payload: the generated files, each data type, each field, by the specification's own rules.

Expected bytes are written by hand from the protobuf wire format and the specification's field numbers
(ISO/IEC 20237:2023, chapter 6), not made by the code under test.
"""

import re
from pathlib import Path

import pytest
from grpc_tools import protoc
from hypothesis import given
from hypothesis import strategies as st

from ingest.formats.sparkplug import PLUGIN
from ingest.formats.sparkplug_packet import Metric
from ingest.reasons import Reason
from skidhand.sparkplug.sparkplug_b_pb2 import Payload
from skidhand.sparkplug.wire import DataType, Kind, Topic, number_of, parse_topic, rebirth_command, state_topic
from tests.ingest.sparkplug_support import DEVICE, NODE, NOON_MS, node_birth, payload

ROOT = Path(__file__).parents[2]
FOLDER = Path("skidhand/sparkplug")


def without_versions(text: str) -> str:
    """Generated text less what only tells the generator's version."""
    return re.sub(r"^# Protobuf Python Version.*$|^    \d+,$", "", text, flags=re.MULTILINE)


@pytest.mark.parametrize("name", ["sparkplug_b_pb2.py", "sparkplug_b_pb2.pyi"])
def test_the_generated_files_are_those_of_the_proto_file(tmp_path, name):
    """Generating anew gives what is committed, whatever the generator's version."""
    arguments = ["protoc", f"-I{ROOT}", f"--python_out={tmp_path}", f"--pyi_out={tmp_path}"]
    assert protoc.main([*arguments, str(ROOT / FOLDER / "sparkplug_b.proto")]) == 0
    made, kept = ((folder / FOLDER / name).read_text() for folder in (tmp_path, ROOT))
    assert without_versions(made) == without_versions(kept)
    assert "AddSerializedFile" in kept or "class Payload" in kept


BY_HAND = (
    b"\x08\xe8\x07"  # 1 timestamp: 1000
    b"\x12\x1e"  # 2 metrics, 30 bytes:
    b"\x0a\x02FT"  # 1 name
    b"\x10\x05"  # 2 alias
    b"\x18\xe7\x07"  # 3 timestamp: 999
    b"\x20\x0a"  # 4 datatype: Double
    b"\x28\x01"  # 5 is_historical
    b"\x69\x00\x00\x00\x00\x00\x00\x04\x40"  # 13 double_value: 2.5
    b"\x4a\x06\x0a\x04Unit"  # 9 properties, one key, no value
    b"\x18\xff\x01"  # 3 seq: 255
)


def test_a_payload_written_by_hand_is_read():
    """Field numbers and types are the specification's."""
    packet = PLUGIN.decode(DEVICE.format("DDATA"), BY_HAND).packet
    assert packet.topic == Topic("sedge-2", Kind.DDATA, "gw-1", "tf-skid-1")
    assert (packet.seq, packet.time_us, packet.bdseq) == (255, 1_000_000, None)
    assert packet.metrics == (Metric("FT", 5, 999_000, DataType.Double, False, "double_value", 2.5, 192),)


def test_every_value_field_has_the_number_of_the_table():
    """Metric values 10 to 19, property values 3 to 11, data types 1 to 34 as in the specification's tables."""
    fields = Payload.Metric.DESCRIPTOR.oneofs_by_name["value"].fields
    names = ["int", "long", "float", "double", "boolean", "string", "bytes", "dataset", "template", "extension"]
    assert [(f.name, f.number) for f in fields] == [(f"{name}_value", 10 + i) for i, name in enumerate(names)]
    properties = Payload.PropertyValue.DESCRIPTOR.oneofs_by_name["value"].fields
    assert [f.number for f in properties] == list(range(3, 12))
    assert [int(kind) for kind in DataType] == list(range(1, 35))


@pytest.mark.parametrize(
    ("datatype", "field", "raw", "number"),
    [
        (DataType.Int8, "int_value", 0xFF, -1),  # two's complement in the type's own width
        (DataType.Int8, "int_value", 0xFFFF_FFFF, -1),  # and extended to the field's
        (DataType.Int8, "int_value", 0x80, -128),
        (DataType.Int8, "int_value", 127, 127),
        (DataType.Int16, "int_value", 0x8000, -32768),
        (DataType.Int32, "int_value", 0xFFFF_FFFE, -2),
        (DataType.Int64, "long_value", 2**64 - 1, -1),
        (DataType.Int64, "long_value", 2**63 - 1, 2**63 - 1),
        (DataType.UInt8, "int_value", 255, 255),
        (DataType.UInt16, "int_value", 65535, 65535),
        (DataType.UInt32, "int_value", 2**32 - 1, 2**32 - 1),
        (DataType.UInt32, "long_value", 2**32 - 1, 2**32 - 1),  # seen: a narrow type in the wide field
        (DataType.UInt64, "long_value", 2**64 - 1, 2**64 - 1),
        (DataType.Float, "float_value", 1.5, 1.5),
        (DataType.Double, "double_value", 0.1, 0.1),
        (DataType.Boolean, "boolean_value", True, True),
        (None, "double_value", 0.1, 0.1),
        (None, "boolean_value", False, False),
    ],
)
def test_numbers_of_every_type(datatype, field, raw, number):
    """[payloads-metric-datatype-value] Each numeric type gives its number, exactly."""
    assert number_of(field, raw, datatype) == number


@given(st.sampled_from([(t, b) for t, b in ((1, 8), (2, 16), (3, 32), (4, 64))]), st.data())
def test_signed_integers_come_back(kind, draw):
    """Any number of a signed type survives two's complement in the field of its width."""
    datatype, bits = kind
    number = draw.draw(st.integers(-(2 ** (bits - 1)), 2 ** (bits - 1) - 1))
    width, field = (64, "long_value") if bits == 64 else (32, "int_value")
    assert number_of(field, number % 2**width, datatype) == number


@pytest.mark.parametrize("datatype", [t for t in DataType if t >= DataType.String])
def test_what_is_no_measurement_is_refused(datatype):
    """Text, dates, data sets, files, templates and arrays have no number; the refusal names the type."""
    for field, raw in (("string_value", None), ("bytes_value", None), ("long_value", 1), ("dataset_value", None)):
        with pytest.raises(ValueError, match=datatype.name):
            number_of(field, raw, datatype)


@pytest.mark.parametrize(
    ("datatype", "field", "raw"),
    [
        (DataType.UInt8, "int_value", 256),
        (DataType.Int8, "int_value", 0x1FF),
        (DataType.Int32, "double_value", 1.0),
        (DataType.Double, "int_value", 1),
        (DataType.Double, None, None),
        (0, "int_value", 1),
        (99, "int_value", 1),
        (None, "int_value", 1),
    ],
)
def test_a_value_that_does_not_fit_its_type_is_refused(datatype, field, raw):
    """Overflow, another type's field, no value, and data types that are none."""
    with pytest.raises(ValueError, match=r"\w"):
        number_of(field, raw, datatype)


def test_topics():
    """[topic-structure] N types have no device, D types have one; ids are never empty."""
    assert parse_topic("spBv1.0/g/NDATA/e") == Topic("g", Kind.NDATA, "e", None)
    assert str(Topic("g", Kind.DDATA, "e", "d")) == "spBv1.0/g/DDATA/e/d"
    assert state_topic("here") == "spBv1.0/STATE/here"  # [host-topic-phid-birth-topic]
    for bad in ("spBv1.0/g/NDATA/e/d", "spBv1.0/g/DDATA/e", "spAv1.0/g/NDATA/e", "spBv1.0/g/NDATA/", "spBv1.0/g/X/e"):
        with pytest.raises(ValueError, match=r"topic|type"):
            parse_topic(bad)
        assert PLUGIN.decode(bad, b"").refused.by_reason.keys() == {Reason.BAD_TOPIC}


def test_the_rebirth_command_is_the_one_that_is_specified():
    """[operational-behavior-data-commands-rebirth-name, -value] One metric, of that name, Boolean, true."""
    assert rebirth_command() == b"\x12\x1a\x0a\x14Node Control/Rebirth\x20\x0b\x70\x01"


def test_sequence_numbers_are_needed_and_bounded():
    """[payloads-sequence-num-always-included] 0 to 255 in all but node deaths; what breaks it is counted."""
    for seq in (None, 256):
        refused = PLUGIN.decode(DEVICE.format("DDATA"), payload(seq, {"name": "a"}, {"name": "b"})).refused
        assert [(r.reason, r.count) for r in refused.by_reason.values()] == [(Reason.BAD_SHAPE, 2)]
    assert PLUGIN.decode(NODE.format("NDEATH"), payload(None)).packet is not None
    assert PLUGIN.decode(*node_birth(bdseq=7)).packet.bdseq == 7  # [payloads-nbirth-bdseq]


def test_quality_and_flags():
    """[payloads-propertyset-quality-value-value] 192 unless told; is_null is read; transient metrics are left out."""
    sent = payload(
        1,
        {"name": "a", "is_null": True, "quality": 0},
        {"name": "b", "double_value": 1.0, "is_transient": True},
        {"name": "c", "double_value": 1.0},
        at_ms=None,
    )
    a, c = PLUGIN.decode(DEVICE.format("DDATA"), sent).packet.metrics
    assert (a.name, a.is_null, a.quality, a.time_us) == ("a", True, 0, None)
    assert (c.name, c.quality) == ("c", 192)


@given(st.binary(max_size=120), st.sampled_from(list(Kind)))
def test_any_bytes_are_read_or_counted(raw, kind):
    """Whatever comes on a good topic is a packet or a counted refusal."""
    topic = (DEVICE if kind.startswith("D") else NODE).format(kind)
    decoded = PLUGIN.decode(topic, raw)
    assert (decoded.packet is None) == bool(decoded.refused.total)
    assert decoded.readings == []


def test_times_beyond_all_calendars_are_none():
    """A timestamp whose microseconds overflow is no time; the present is one."""
    sent = payload(1, {"name": "a", "timestamp": 2**63}, {"name": "b", "timestamp": NOON_MS})
    assert [m.time_us for m in PLUGIN.decode(DEVICE.format("DDATA"), sent).packet.metrics] == [None, NOON_MS * 1000]
