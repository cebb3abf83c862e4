"""Builds Sparkplug payloads field by field, as a gateway would, and drives sessions without a broker."""

from __future__ import annotations

from ingest.inbox import message
from ingest.router import Router, found_formats
from ingest.sparkplug.sessions import Sessions
from ingest.sparkplug.settings import SparkplugSettings
from skidhand.sparkplug.sparkplug_b_pb2 import Payload
from skidhand.sparkplug.wire import BDSEQ, REBIRTH, DataType
from tests.ingest.support import LOOKUP, NOON_US, Bench, Outcome

NOON_MS = NOON_US // 1000
NODE = "spBv1.0/sedge-2/{}/gw-1"
DEVICE = "spBv1.0/sedge-2/{}/gw-1/tf-skid-1"
ALIASES = {"FT-201": 1, "plc.oil out": 2, "Filter/PDT-301": 3}


def payload(seq: int | None, *metrics: dict, at_ms: int | None = NOON_MS) -> bytes:
    """A payload; each metric is its fields, with ``quality`` for the property of that name."""
    made = Payload(timestamp=at_ms, seq=seq)
    for fields in metrics:
        quality = fields.pop("quality", None)
        metric = made.metrics.add(**fields)
        if quality is not None:
            metric.properties.keys.append("Quality")
            metric.properties.values.add(type=DataType.Int32, int_value=quality)
    return made.SerializeToString()


def double(name: str | None, value: float | None, at_ms: int = NOON_MS, **fields) -> dict:
    """A metric of type Double; with a name or by its alias."""
    which = {"name": name} if name is not None else {}
    what = {"is_null": True} if value is None else {"double_value": value}
    return {**which, "timestamp": at_ms, "datatype": DataType.Double, **what, **fields}


def node_birth(seq: int = 0, bdseq: int = 0, at_ms: int = NOON_MS) -> tuple[str, bytes]:
    """NBIRTH with what every one must have."""
    number = {"name": BDSEQ, "timestamp": at_ms, "datatype": DataType.Int64, "long_value": bdseq}
    control = {"name": REBIRTH, "timestamp": at_ms, "datatype": DataType.Boolean, "boolean_value": False}
    return NODE.format("NBIRTH"), payload(seq, number, control, at_ms=at_ms)


def node_death(bdseq: int = 0) -> tuple[str, bytes]:
    """The will's payload, written when the node connected."""
    number = {"name": BDSEQ, "timestamp": NOON_MS, "datatype": DataType.Int64, "long_value": bdseq}
    return NODE.format("NDEATH"), payload(None, number)


def device_birth(seq: int = 1, at_ms: int = NOON_MS, aliases=None) -> tuple[str, bytes]:
    """DBIRTH of three metrics with aliases, each 0."""
    known = ALIASES if aliases is None else aliases
    return DEVICE.format("DBIRTH"), payload(
        seq, *(double(name, 0.0, at_ms, alias=alias) for name, alias in known.items()), at_ms=at_ms
    )


def data(seq: int, number: float, alias: int = 1, **fields) -> tuple[str, bytes]:
    """DDATA by alias, the number also its second after noon."""
    at_ms = NOON_MS + round(number * 1000)
    return DEVICE.format("DDATA"), payload(seq, double(None, number, at_ms, alias=alias, **fields), at_ms=at_ms)


class Bed:
    """Sessions with a clock that the test moves; what comes out is judged against the small fleet."""

    def __init__(self, **settings) -> None:
        self.now = 0.0
        self.asked: list[tuple[str, str]] = []
        self.out: list = []  # messages worked off, in order
        self.acknowledged: list = []
        self._bench = Bench(LOOKUP)
        self.refused: dict[str, int] = {}
        self.sessions = Sessions(
            SparkplugSettings(**settings),
            decode=Router(found_formats()).decode,
            lookup=lambda: LOOKUP,
            ask=lambda group, edge: self.asked.append((group, edge)),
            clock=lambda: self.now,
        )

    def send(self, *sent: tuple[str, bytes], connection: int = 1) -> Bed:
        """Messages, one after the other."""
        for topic, raw in sent:
            item = message(topic, raw, NOON_US, mid=1, qos=1, connection=connection)
            self._worked(self.sessions.take(item))
        return self

    def wait(self, seconds: float) -> Bed:
        """Let time pass."""
        self.now += seconds
        self._worked(self.sessions.due())
        return self

    def _worked(self, arrivals) -> None:
        for item, decoded in arrivals:
            for reading in decoded.readings:
                self._bench.judge(reading, NOON_US, decoded.refused)
            for reason, refusal in decoded.refused.by_reason.items():
                self.refused[reason.value] = self.refused.get(reason.value, 0) + refusal.count
            self.out.append(item)
        self.acknowledged += self.sessions.settled(item for item, _ in arrivals)

    @property
    def got(self) -> Outcome:
        """What was stored so far."""
        return Outcome(self._bench.table(), self.refused)

    def rows(self, tag: str = "FT-201") -> list[tuple[float | None, int]]:
        """(value, quality) of one tag, in the order in which they were stored."""
        return [
            (row["value"], row["quality"])
            for row in self.got.samples.to_pylist()
            if row["series"] == f"tf-skid-1/{tag}"
        ]
