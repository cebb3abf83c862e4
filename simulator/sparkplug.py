"""Skids behind gateways that speak Sparkplug B (ISO/IEC 20237:2023): births, data by alias, deaths.

One gateway (edge node) a site with a connection of its own, for a broker speaks one death for a
connection; a skid is its device. Times are cut to the millisecond, for the payload has no finer ones.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from types import TracebackType
from typing import Any, Final, Self

import paho.mqtt.client as mqtt
import pyarrow as pa

from simulator.connection import Connection
from simulator.payload import Point, SiteOf, points
from skidhand.clock import WallClock
from skidhand.errors import BrokerError, SettingsError
from skidhand.fleet import Fleet
from skidhand.model.quality import GOOD, is_bad, is_good
from skidhand.model.samples import micros
from skidhand.sparkplug.sparkplug_b_pb2 import Payload
from skidhand.sparkplug.wire import (
    BDSEQ,
    QUALITY,
    QUALITY_BAD,
    QUALITY_STALE,
    REBIRTH,
    SEQUENCES,
    DataType,
    Kind,
    Topic,
)

EDGE_NODE: Final = "gateway"
HISTORY_US: Final = 60_000_000
"""What arrives so much after it was read was held back at the gateway."""

Last = tuple[int, float | None, int]
"""Time in µs, value, StatusCode."""


class Gateway(Connection):
    """The edge node of one site. ``tags``: skid → names of all its metrics on the wire.

    A metric that has not been read yet is born without a value.
    """

    def __init__(self, site: str, tags: Mapping[str, Sequence[str]], host: str, port: int, **connection: Any) -> None:
        super().__init__(host, port, **connection)
        self._site, self._tags = site, tags
        self._sequence, self._bdseq = 0, -1
        self._speaking = threading.RLock()  # numbers are given and messages handed over in one order
        self._last: dict[str, dict[str, Last]] = {}  # of the skids that are born
        self._alias = {tag: i for i, tag in enumerate((s, t) for s, names in tags.items() for t in names)}
        self.client.on_pre_connect = self._prepare
        self.client.on_message = self._told

    def send_points(self, batch: Sequence[Point]) -> int:
        """Send readings in order, each skid's birth before its first; the number of messages."""
        count = 0
        for i, point in enumerate(batch):
            self.wait_for_room()
            self.wait_connected()
            with self._speaking:
                if point.skid not in self._last:
                    self._last[point.skid] = _firsts(point.skid, batch[i:])
                    self._bear(point.skid, point.time_us)
                    count += 1
                self._say(Kind.DDATA, point.skid, self._readings(point))
            count += 1
        return count

    def close(self) -> None:
        """Die in order: the death is published, then the connection closed."""
        if self.client.is_connected():
            topic, payload = self._death()
            self.hand_over(topic, payload, qos=1)
            with suppress(BrokerError):  # the broker speaks the will in its stead
                self.flush()
        super().close()

    # --- births and deaths -------------------------------------------------------------------------

    def _prepare(self, client: mqtt.Client, _data: Any) -> None:
        """A will for each connection, with a number of its own [payloads-ndeath-will-message-qos]."""
        self._bdseq = (self._bdseq + 1) % SEQUENCES
        topic, payload = self._death()
        client.will_set(topic, payload, qos=1, retain=False)

    def _death(self) -> tuple[str, bytes]:
        payload = Payload(timestamp=_now_ms())
        payload.metrics.add(name=BDSEQ, datatype=DataType.Int64, long_value=self._bdseq)
        return str(Topic(self._site, Kind.NDEATH, EDGE_NODE)), payload.SerializeToString()

    def greet(self, client: mqtt.Client) -> None:
        """Listen for commands, then be born [message-flow-edge-node-birth-publish-connect]."""
        client.subscribe(str(Topic(self._site, Kind.NCMD, EDGE_NODE)), qos=1)
        self._be_born()

    def _told(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        command = Payload.FromString(bytes(message.payload))
        if any(metric.name == REBIRTH and metric.boolean_value for metric in command.metrics):
            self._be_born()

    def _be_born(self) -> None:
        """The node's birth and those of all skids that were born before; the sequence begins anew."""
        with self._speaking:
            self._sequence = 0
            now_ms = _now_ms()
            node = Payload(timestamp=now_ms)
            node.metrics.add(name=BDSEQ, timestamp=now_ms, datatype=DataType.Int64, long_value=self._bdseq)
            node.metrics.add(name=REBIRTH, timestamp=now_ms, datatype=DataType.Boolean, boolean_value=False)
            self._publish(Topic(self._site, Kind.NBIRTH, EDGE_NODE), node)
            for skid in self._last:
                self._bear(skid, now_ms * 1000)

    def _bear(self, skid: str, time_us: int) -> None:
        """A device's birth: every metric it will ever send, with its last value."""
        metrics = []
        for tag in self._tags[skid]:
            at_us, value, status = self._last[skid].get(tag, (time_us, None, GOOD))
            metric = _metric(at_us, value, status)
            metric.name, metric.alias = tag, self._alias[skid, tag]
            metrics.append(metric)
        self._say(Kind.DBIRTH, skid, metrics)

    # --- data --------------------------------------------------------------------------------------

    def _readings(self, point: Point) -> Iterator[Payload.Metric]:
        held = point.received_us - point.time_us > HISTORY_US
        for tag, value in point.values.items():
            status = point.status.get(tag, GOOD)
            self._last[point.skid][tag] = (point.time_us, value, status)
            metric = _metric(point.time_us, value, status)
            metric.alias = self._alias[point.skid, tag]
            if held:
                metric.is_historical = True
            yield metric

    def _say(self, kind: Kind, skid: str, metrics: Iterable[Payload.Metric]) -> None:
        payload = Payload(timestamp=_now_ms())
        payload.metrics.extend(metrics)
        self._publish(Topic(self._site, kind, EDGE_NODE, skid), payload)

    def _publish(self, topic: Topic, payload: Payload) -> None:
        payload.seq = self._sequence
        self._sequence = (self._sequence + 1) % SEQUENCES
        self.hand_over(str(topic), payload.SerializeToString(), qos=0)  # [payloads-ddata-qos] and its like


class Gateways:
    """Every site's gateway, connected when its first skid speaks. ``connection``: as for Connection."""

    def __init__(self, fleet: Fleet, host: str, port: int, **connection: Any) -> None:
        self._connect: Callable[[str], Gateway] = lambda site: Gateway(site, self._tags, host, port, **connection)
        owners = [(skid.id, skid.instruments) for skid in fleet.skids]
        owners += [(site.id, site.instruments) for site in fleet.sites]  # for the tank that its skids share
        self._tags = {
            owner: [instrument.alias or tag for tag, instrument in instruments.items()] for owner, instruments in owners
        }
        self._gateways: dict[str, Gateway] = {}
        self.samples_sent = 0
        self.messages_sent = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is None:
                self.flush()
        finally:
            self.close()

    def publish(self, samples: pa.Table, site_of: SiteOf, names: Mapping[str, str] | None = None) -> int:
        """As :meth:`simulator.publish.Publisher.publish`."""
        by_site: dict[str, list[Point]] = {}
        for point in points(samples, names):
            by_site.setdefault(site_of(point.skid, point.time_us), []).append(point)
            self.samples_sent += len(point.values)
        count = sum(self._gateway(site).send_points(batch) for site, batch in by_site.items())
        self.messages_sent += count
        return count

    def announce(self, now: datetime) -> None:
        """Sparkplug has no stream clock: SettingsError."""
        raise SettingsError(f"a stream clock cannot be told {now}: gateways have connections of their own; use 'wall'")

    def flush(self) -> None:
        """Wait until everything is on its way."""
        for gateway in self._gateways.values():
            gateway.flush()

    def close(self) -> None:
        """Every gateway dies in order."""
        for gateway in self._gateways.values():
            gateway.close()

    def _gateway(self, site: str) -> Gateway:
        if site not in self._gateways:
            gateway = self._connect(site)
            gateway.connect()
            self._gateways[site] = gateway
        return self._gateways[site]


def _firsts(skid: str, batch: Sequence[Point]) -> dict[str, Last]:
    """The first reading of each of the skid's metrics in ``batch``."""
    found: dict[str, Last] = {}
    for point in batch:
        if point.skid == skid:
            for tag, value in point.values.items():
                found.setdefault(tag, (point.time_us, value, point.status.get(tag, GOOD)))
    return found


def _metric(time_us: int, value: float | None, status: int) -> Payload.Metric:
    metric = Payload.Metric(timestamp=time_us // 1000, datatype=DataType.Double)
    if value is None:
        metric.is_null = True
    else:
        metric.double_value = value
    if not is_good(status):
        metric.properties.keys.append(QUALITY)
        code = QUALITY_BAD if is_bad(status) else QUALITY_STALE
        metric.properties.values.add(type=DataType.Int32, int_value=code)
    return metric


def _now_ms() -> int:
    return micros(WallClock().now()) // 1000
