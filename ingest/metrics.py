"""Ingest's figures for Prometheus, made when they are asked for from the same statistics as the heartbeat.

Labels are bounded: reasons and doubts are closed lists, skids are those of the fleet file.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Final

from prometheus_client import CollectorRegistry, start_http_server
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from ingest.stats import IngestStats
from skidhand.errors import SettingsError

PREFIX: Final = "skidhand_ingest"
LOOPBACK: Final = "127.0.0.1"
PARTS: Final = ("broker", "sparkplug", "spool", "store", "logbook")
_ADDRESS: Final = re.compile(r"(?:(?:\[(?P<six>[^\[\]]+)\]|(?P<host>[^:\[\]]+)):)?(?P<port>[0-9]{1,5})")


class IngestCollector(Collector):
    """Asks ``stats`` at each scrape."""

    def __init__(self, stats: Callable[[], IngestStats]) -> None:
        self._stats = stats

    def collect(self) -> Iterator[Metric]:
        """All families; counters that end in ``_total`` begin anew with the process, those of the spool do not."""
        stats = self._stats()
        yield _counter("messages", "messages spooled or refused, and acknowledged, since the start", stats.messages)
        yield _counter("samples", "samples spooled since the start", stats.samples)
        yield _counter("stored_samples", "samples committed to the store since the start", stats.stored)
        yield _labelled(CounterMetricFamily, "refused", "refused since the spool was made", "reason", stats.refused)
        yield _labelled(
            CounterMetricFamily, "doubted", "samples taken in doubt since the spool was made", "doubt", stats.doubted
        )
        yield _gauge("samples_per_second", "samples spooled per second, over the last half minute", stats.rate)
        yield _gauge("lag_seconds", "age of the oldest batch that waits for the store", stats.lag_s)
        yield _gauge(
            "oldest_unacknowledged_seconds", "age of the oldest message not yet on the disk", stats.unacknowledged_s
        )
        yield _gauge("queued_messages", "messages that arrived and are not yet on the disk", stats.queued)
        yield _gauge("spool_batches", "batches that wait for the store", stats.depth.rows)
        yield _gauge("spool_samples", "samples that wait for the store", stats.depth.samples)
        yield _gauge("spool_bytes", "bytes of the batches that wait for the store", stats.depth.bytes)
        yield _gauge(
            "thinned_samples", "samples left out as the fleet file asks, under its present version", stats.thinned
        )
        yield _gauge("set_aside_samples", "samples that the store refuses, kept in the spool", stats.aside)
        troubles = {part: float(part in stats.trouble) for part in PARTS}
        yield _labelled(GaugeMetricFamily, "trouble", "1 while something is wrong with that part", "part", troubles)
        seen = {skid: at.timestamp() for skid, at in stats.last_seen.items()}
        yield _labelled(
            GaugeMetricFamily,
            "skid_last_seen_timestamp_seconds",
            "receipt of the skid's last good message",
            "skid",
            seen,
        )


def _counter(name: str, about: str, value: float) -> Metric:
    return CounterMetricFamily(f"{PREFIX}_{name}", about, value=value)


def _gauge(name: str, about: str, value: float) -> Metric:
    return GaugeMetricFamily(f"{PREFIX}_{name}", about, value=value)


def _labelled(
    kind: type[CounterMetricFamily] | type[GaugeMetricFamily],
    name: str,
    about: str,
    label: str,
    values: dict[str, int] | dict[str, float],
) -> Metric:
    family = kind(f"{PREFIX}_{name}", about, labels=[label])
    for one, value in values.items():
        family.add_metric([one], value)
    return family


def split_address(text: str) -> tuple[str, int]:
    """Host and port of ``PORT``, ``HOST:PORT`` or ``[IPv6]:PORT``; alone, a port is on this host's loopback only."""
    found = _ADDRESS.fullmatch(text)
    if found is None or int(found["port"]) > 65_535:
        raise SettingsError(f"metrics {text!r} is neither PORT nor HOST:PORT, for example '9464' or '0.0.0.0:9464'")
    return found["six"] or found["host"] or LOOPBACK, int(found["port"])


class MetricsServer:
    """Serves ``/metrics`` over HTTP at ``address`` until :meth:`close`; port 0 takes a free one."""

    def __init__(self, address: str, stats: Callable[[], IngestStats]) -> None:
        host, port = split_address(address)
        registry = CollectorRegistry()
        registry.register(IngestCollector(stats))
        try:
            self._server, self._thread = start_http_server(port, host, registry)
        except OSError as error:
            raise SettingsError(f"metrics cannot be served at {host}:{port}: {error}") from error
        self.port = int(self._server.server_port)

    def close(self) -> None:
        """Serve no more."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5)
