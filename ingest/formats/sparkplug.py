"""Sparkplug B (ISO/IEC 20237:2023): protobuf payloads of edge nodes that are born, speak by alias and die.

Topic ``spBv1.0/<site>/<type>/<edge node>[/<skid>]``. Reading one message is pure, as with every format.
Its order among the others, and what its aliases stand for, is for the session (:mod:`ingest.sparkplug`).
"""

from __future__ import annotations

from typing import Final

from google.protobuf.message import DecodeError

from ingest.formats.base import Decoded
from ingest.formats.sparkplug_packet import Metric, Packet
from ingest.reasons import Reason, shown
from skidhand.sparkplug.sparkplug_b_pb2 import Payload
from skidhand.sparkplug.wire import BDSEQ, NAMESPACE, QUALITY, QUALITY_GOOD, SEQUENCES, Kind, Topic, parse_topic

WITHOUT_SEQUENCE: Final = frozenset({Kind.NDEATH, Kind.NCMD, Kind.DCMD})
"""Every other payload has a sequence number [payloads-sequence-num-always-included]."""

LATEST_MS: Final = 2**53
"""A time from here on is no time: its microseconds would not fit 64 bits."""


class SparkplugB:
    """See the module."""

    name = "sparkplug"
    topics = (f"{NAMESPACE}/+/+/+", f"{NAMESPACE}/+/+/+/+")
    ordered = True

    def decode(self, topic: str, payload: bytes) -> Decoded:
        """See :meth:`ingest.formats.base.Format.decode`."""
        decoded = Decoded()
        try:
            place = parse_topic(topic)
        except ValueError as error:
            decoded.refused.add(Reason.BAD_TOPIC, f"topic {shown(topic)}: {error}")
            return decoded
        try:
            document = Payload.FromString(payload)
        except DecodeError:
            decoded.refused.add(Reason.BAD_PROTOBUF, f"{len(payload)} bytes")
            return decoded
        if place.kind not in WITHOUT_SEQUENCE and not (document.HasField("seq") and document.seq < SEQUENCES):
            told = f"sequence number {document.seq}" if document.HasField("seq") else "no sequence number"
            decoded.refused.add(Reason.BAD_SHAPE, told, max(1, len(document.metrics)))
            return decoded
        decoded.packet = _packet(place, document)
        return decoded


def _packet(place: Topic, document: Payload) -> Packet:
    bdseq = None
    metrics = []
    for sent in document.metrics:
        if sent.name == BDSEQ and place.kind in (Kind.NBIRTH, Kind.NDEATH):
            bdseq = sent.long_value if sent.WhichOneof("value") == "long_value" else sent.int_value
        elif not sent.is_transient:  # of interest to those who watch, not to be stored: the sender's own wish
            metrics.append(_metric(sent))
    seq = document.seq if document.HasField("seq") and place.kind not in WITHOUT_SEQUENCE else None
    return Packet(place, seq, _microseconds(document), bdseq, tuple(metrics))


def _metric(sent: Payload.Metric) -> Metric:
    field = sent.WhichOneof("value")
    return Metric(
        name=sent.name if sent.name else None,
        alias=sent.alias if sent.HasField("alias") else None,
        time_us=_microseconds(sent),
        datatype=sent.datatype if sent.HasField("datatype") else None,
        is_null=sent.is_null,
        field=field,
        raw=getattr(sent, field) if field in _PLAIN else None,
        quality=_quality(sent.properties),
    )


_PLAIN: Final = frozenset({"int_value", "long_value", "float_value", "double_value", "boolean_value"})


def _quality(properties: Payload.PropertySet) -> object:
    """The property Quality, Good where there is none [payloads-propertyset-quality-value-value]."""
    for key, value in zip(properties.keys, properties.values, strict=False):
        if key == QUALITY:
            field = value.WhichOneof("value")
            return value.int_value if field == "int_value" else f"{QUALITY} in {field}"
    return QUALITY_GOOD


def _microseconds(part: Payload | Payload.Metric) -> int | None:
    return part.timestamp * 1000 if part.HasField("timestamp") and part.timestamp < LATEST_MS else None


PLUGIN: Final = SparkplugB()
