"""Topics, data types and reserved names of Sparkplug B, and a metric's value by its data type.

ISO/IEC 20237:2023 (Sparkplug 3.0), chapters 4 (topics) and 6 (payloads). Rule ids in brackets are those
that the specification itself gives.
"""

from __future__ import annotations

from enum import IntEnum, StrEnum
from typing import Final, NamedTuple

from skidhand.sparkplug.sparkplug_b_pb2 import Payload

NAMESPACE: Final = "spBv1.0"
BDSEQ: Final = "bdSeq"
REBIRTH: Final = "Node Control/Rebirth"
QUALITY: Final = "Quality"
SEQUENCES: Final = 256
"""Sequence and birth numbers run from 0 to 255, then from 0 again [payloads-sequence-num-incrementing]."""

QUALITY_BAD: Final = 0
QUALITY_GOOD: Final = 192
QUALITY_STALE: Final = 500


class Kind(StrEnum):
    """The message types of an edge node (N) and of its devices (D)."""

    NBIRTH = "NBIRTH"
    NDEATH = "NDEATH"
    NDATA = "NDATA"
    NCMD = "NCMD"
    DBIRTH = "DBIRTH"
    DDEATH = "DDEATH"
    DDATA = "DDATA"
    DCMD = "DCMD"


class DataType(IntEnum):
    """What a metric's value is; the names and numbers are the specification's."""

    Int8, Int16, Int32, Int64 = 1, 2, 3, 4
    UInt8, UInt16, UInt32, UInt64 = 5, 6, 7, 8
    Float, Double, Boolean = 9, 10, 11
    String, DateTime, Text, UUID = 12, 13, 14, 15
    DataSet, Bytes, File, Template, PropertySet, PropertySetList = 16, 17, 18, 19, 20, 21
    Int8Array, Int16Array, Int32Array, Int64Array = 22, 23, 24, 25
    UInt8Array, UInt16Array, UInt32Array, UInt64Array = 26, 27, 28, 29
    FloatArray, DoubleArray, BooleanArray, StringArray, DateTimeArray = 30, 31, 32, 33, 34


INTEGERS: Final[dict[DataType, tuple[int, bool]]] = {
    DataType.Int8: (8, True),
    DataType.Int16: (16, True),
    DataType.Int32: (32, True),
    DataType.Int64: (64, True),
    DataType.UInt8: (8, False),
    DataType.UInt16: (16, False),
    DataType.UInt32: (32, False),
    DataType.UInt64: (64, False),
}
"""Bits, and whether signed."""

_OWN_FIELD: Final = {
    DataType.Float: "float_value",
    DataType.Double: "double_value",
    DataType.Boolean: "boolean_value",
}


class Topic(NamedTuple):
    """Who speaks: group, type of message, edge node, and the device for the D types."""

    group: str
    kind: Kind
    edge: str
    device: str | None = None

    def __str__(self) -> str:
        return "/".join((NAMESPACE, self.group, self.kind, self.edge, *([self.device] if self.device else [])))


def parse_topic(topic: str) -> Topic:
    """``topic`` in its parts; ValueError with what is wrong [topic-structure].

    A device is named by the D types and by none of the N types.
    """
    namespace, *parts = topic.split("/")
    if namespace != NAMESPACE or not 3 <= len(parts) <= 4 or not all(parts):
        raise ValueError(f"a topic is {NAMESPACE}/group/type/edge node[/device]")
    if parts[1] not in Kind.__members__:
        raise ValueError(f"message type is one of {', '.join(Kind)}")
    if (len(parts) == 4) != parts[1].startswith("D"):
        raise ValueError("a device is named by the D types, and by none of the N types")
    return Topic(parts[0], Kind[parts[1]], *parts[2:])


def state_topic(host: str) -> str:
    """Where a host application says whether it is there [host-topic-phid-birth-topic]."""
    return f"{NAMESPACE}/STATE/{host}"


def rebirth_command() -> bytes:
    """The payload that asks an edge node for its births again [operational-behavior-data-commands-rebirth-name]."""
    payload = Payload()
    payload.metrics.add(name=REBIRTH, datatype=DataType.Boolean, boolean_value=True)
    return payload.SerializeToString()


def number_of(field: str | None, raw: object, datatype: int | None) -> float | int | bool:
    """The number that ``raw``, found in the payload's ``field``, stands for as ``datatype``.

    A signed integer travels in an unsigned field, as two's complement. Without a data type only a field
    that explains itself can be read. Raises ValueError where the value is no number or does not fit.
    """
    if field in _OWN_FIELD.values() and datatype is None:
        assert isinstance(raw, float | bool)
        return raw
    if datatype is None:
        raise ValueError("there is no data type")
    if datatype not in DataType._value2member_map_:
        raise ValueError(f"{datatype} is no data type")
    known = DataType(datatype)
    if known in INTEGERS and field in ("int_value", "long_value"):
        assert isinstance(raw, int)
        return _integer(raw, known, 32 if field == "int_value" else 64)
    if field is not None and field == _OWN_FIELD.get(known):
        assert isinstance(raw, float | bool)
        return raw
    raise ValueError(f"{known.name} in {field or 'no value field'} is no number")


def _integer(raw: int, known: DataType, width: int) -> int:
    """``raw`` as the integer type; a narrow negative number may come sign-extended to the field's width."""
    bits, signed = INTEGERS[known]
    low, high = raw & ((1 << bits) - 1), raw >> bits
    negative = signed and bool(low >> (bits - 1))
    extended = (1 << max(0, width - bits)) - 1
    if high and not (negative and high == extended):
        raise ValueError(f"{raw} does not fit {known.name}")
    return low - (1 << bits) if negative else low
