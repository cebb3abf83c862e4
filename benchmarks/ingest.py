"""Durable ingest beside two subscribers that store nothing: a raw socket and a bare paho client.

Each drains the same messages, which wait in the broker for its session: QoS 1, 50 values each. Only the taking is
measured, from the connection (ours: from the start of its threads) to the last acknowledgement; ours acknowledges
when the samples are forced to its disk. In each round every one of them takes all messages, one after the other; rates
are those of the round whose ratio is the middle one, so that both were disturbed by the same neighbours. Processor
times, which neighbours hardly change, are each one's least.
"""

from __future__ import annotations

import json
import socket
import struct
import tempfile
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final, NamedTuple

import paho.mqtt.client as mqtt
import psutil
from paho.mqtt.enums import CallbackAPIVersion

from benchmarks.harness import Row
from ingest.broker import BrokerSettings
from ingest.lean import without_pandas
from ingest.service import IngestService
from skidhand.fleet import FleetVersion, parse_fleet
from skidhand.logbook import Logbook
from skidhand.stores import open_store
from tests.support.mosquitto import ROOMY, Mosquitto, program

VALUES: Final = 50
TOPIC: Final = "skidhand/tansy-1/tf-1/samples"
_PATIENCE_S: Final = 300.0


def measure(quick: bool) -> Iterator[Row]:
    """See :class:`benchmarks.harness.Group`."""
    if program() is None:
        yield Row("durable ingest", note="mosquitto is not installed (Debian: apt-get install mosquitto)")
        return
    count, rounds = (8_000, 3) if quick else (20_000, 5)
    with tempfile.TemporaryDirectory(prefix="skidhand-bench-") as name:
        broker = Mosquitto(Path(name) / "broker", ROOMY)
        broker.folder.mkdir()
        broker.start()
        try:
            yield from _one(broker, Path(name) / "one", count, rounds)
            yield from _two(broker, Path(name) / "two", count)
        finally:
            broker.stop()


def _service(host: str, port: int, folder: Path, worker: str = "spool", group: str | None = None) -> IngestService:
    return IngestService(
        broker=BrokerSettings(host=host, port=port, group=group),
        spool_path=folder / f"{worker}.db",
        store=open_store(str(folder / "lake")),
        logbook=Logbook(str(folder / "logbook.db")),  # open: a program's start is not its rate
        fleet=_fleet(),
    )


def _processes(count: int, **more: Any) -> ProcessPoolExecutor:
    """Processes forked from one that has done nothing but import this module, so that each lives at once."""
    context = get_context("forkserver")
    context.set_forkserver_preload(["__main__", __name__])
    return ProcessPoolExecutor(count, context, **more)


class Taken(NamedTuple):
    """What a worker did with all messages: samples a second and processor to the last acknowledgement; to the store."""

    rate: float
    taking_s: float
    processor_s: float
    most_bytes: int
    lag_s: float


def _one(broker: Mosquitto, folder: Path, count: int, rounds: int) -> Iterator[Row]:
    """One worker beside a raw socket and bare paho. Each has its session from before the first message on."""
    folder.mkdir()
    at = broker.host, broker.port
    raws, bares, ours = list[float](), list[tuple[float, float]](), list[Taken]()
    # In processes of their own, a new one for each start of the worker, so that nothing else is in its memory.
    with _processes(1) as beside, _processes(1, max_tasks_per_child=1) as apart:
        joined = apart.submit(_join, *at, folder, "spool", None)
        beside.submit(_sessions, *at).result()
        joined.result()
        for _ in range(rounds):
            beside.submit(_publish, *at, count).result()
            raws.append(beside.submit(_raw, *at, count).result())
            bares.append(beside.submit(_bare, *at, count).result())
            ours.append(apart.submit(_work, *at, folder, count).result())
    ratios = [each.rate / other for each, (other, _) in zip(ours, bares, strict=True)]
    middle = ratios.index(sorted(ratios)[rounds // 2])
    raw, bare, rate = raws[middle], bares[middle][0], ours[middle].rate
    yield Row("raw socket that counts and acknowledges", "samples/s", raw)
    yield Row("one worker beside it", "samples/s", rate, raw)
    each_round = ", ".join(f"{ratio:.2f}" for ratio in ratios)
    yield Row(
        "one worker, judging on",
        "samples/s",
        rate,
        bare,
        "≥ 0.4 (0.5)",
        rate >= 0.4 * bare,
        f"beside: a bare paho subscriber; the rounds: {each_round}",
    )
    each, beside_it = min(each.taking_s for each in ours) / count * 1e6, min(spent for _, spent in bares) / count * 1e6
    yield Row("processor time a message, to its acknowledgement", "µs", each, beside_it, note="beside: bare paho")
    processor = min(each.processor_s for each in ours) / (count * VALUES) * 1e6
    yield Row("processor time a 1,000 samples, to the store", "ms", processor)
    most, lag = max(each.most_bytes for each in ours), max(each.lag_s for each in ours)
    yield Row("memory, at most", "MB", most / 1e6, None, "≤ 300 MB", most <= 300e6)
    yield Row("longest wait for the store", "s", lag, None, "≤ 5 s", lag <= 5)


def _work(host: str, port: int, folder: Path, count: int) -> Taken:
    """Start the worker as the command does, and take what waits."""
    without_pandas()
    service, process = _service(host, port, folder), psutil.Process()
    before, began = time.process_time(), time.perf_counter()
    service.start(wait_connected_s=30)
    lag, most, took, taking = 0.0, 0, 0.0, 0.0
    while (stats := service.stats()).messages < count or stats.depth.samples:
        assert time.perf_counter() - began < _PATIENCE_S, "ingest did not take all messages"
        if not took and stats.messages == count:
            took, taking = time.perf_counter() - began, time.process_time() - before
        lag, most = max(lag, stats.lag_s), max(most, process.memory_info().rss)
        time.sleep(0.005)
    spent = time.process_time() - before
    took, taking = took or time.perf_counter() - began, taking or spent
    service.stop()
    assert service.stats().samples == count * VALUES
    return Taken(count * VALUES / took, taking, spent, most, lag)


def _two(broker: Mosquitto, folder: Path, count: int) -> Iterator[Row]:
    """Two workers of one shared group, each a process with a spool of its own; they write to one store."""
    folder.mkdir()
    names, at = ("one", "other"), (broker.host, broker.port)
    with _processes(2) as pool:
        for ready in [pool.submit(_join, *at, folder, name, "bench") for name in names]:
            ready.result()
        pool.submit(_publish, *at, count).result()
        shares = [each.result() for each in [pool.submit(_share, *at, folder, name) for name in names]]
    took = max(share.last for share in shares) - min(share.began for share in shares)
    messages = sum(share.messages for share in shares)
    assert messages == count, f"{messages} of {count} messages"
    told = ", ".join(f"{share.messages * VALUES / (share.last - share.began):,.0f}" for share in shares)
    yield Row("two workers of one group, together", "samples/s", count * VALUES / took, note=f"each: {told}")
    processor = sum(share.processor_s for share in shares) / (count * VALUES) * 1e6
    yield Row("processor time a 1,000 samples, two workers", "ms", processor)


class Share(NamedTuple):
    """What one of several workers took; seconds of the clock, and of the processor until all is in the store."""

    messages: int
    began: float
    last: float
    processor_s: float


def _join(host: str, port: int, folder: Path, worker: str, group: str | None) -> None:
    """Make the worker's session, and leave."""
    service = _service(host, port, folder, worker, group)
    service.start(wait_connected_s=30)
    service.stop()


def _share(host: str, port: int, folder: Path, worker: str) -> Share:
    """Take this worker's share: until for two seconds nothing more has come."""
    service = _service(host, port, folder, worker, "bench")
    before, began = time.process_time(), time.time()
    service.start(wait_connected_s=30)
    messages, last = 0, began
    while not messages or time.time() - last < 2.0:
        if (now := service.stats().messages) != messages:
            messages, last = now, time.time()
        assert time.time() - began < _PATIENCE_S
        time.sleep(0.02)
    assert service.wait_drained(_PATIENCE_S)
    spent = time.process_time() - before
    service.stop()
    return Share(messages, began, last, spent)


def _bare(host: str, port: int, count: int) -> tuple[float, float]:
    """Samples per second of a paho client whose callback only counts, and the seconds of processor that took."""
    seen, done = 0, threading.Event()

    def heard(*_: Any) -> None:
        nonlocal seen
        seen += 1
        if seen == count:
            done.set()

    taker = _client("bench-bare")
    taker.on_message = heard
    before, began = time.process_time(), time.perf_counter()
    taker.connect(host, port)
    taker.loop_start()
    assert done.wait(_PATIENCE_S)
    took, spent = time.perf_counter() - began, time.process_time() - before
    taker.disconnect()
    taker.loop_stop()
    return count * VALUES / took, spent


def _raw(host: str, port: int, count: int) -> float:
    """Samples per second of a socket that reads MQTT 3.1.1 frames and answers each with its PUBACK."""
    began = time.perf_counter()
    with socket.create_connection((host, port)) as link:
        name = b"bench-raw"
        body = b"\x00\x04MQTT\x04\x00\x00\x3c" + struct.pack(">H", len(name)) + name
        link.sendall(bytes([0x10, len(body)]) + body)
        seen, buffer = 0, b""
        while seen < count:
            buffer += link.recv(1 << 20)
            answers, buffer = _answers(buffer)
            seen += len(answers)
            link.sendall(b"".join(answers))
        took = time.perf_counter() - began
        link.sendall(b"\xe0\x00")  # a farewell, so that the broker has heard every answer
        link.recv(1)
    return count * VALUES / took


def _answers(buffer: bytes) -> tuple[list[bytes], bytes]:
    """PUBACKs for the whole PUBLISH frames in ``buffer``, and what is left of it."""
    at, answers = 0, list[bytes]()
    while True:
        length, shift, end = 0, 0, at + 1
        while end < len(buffer):
            length |= (buffer[end] & 0x7F) << shift
            shift, end = shift + 7, end + 1
            if not buffer[end - 1] & 0x80:
                break
        else:
            return answers, buffer[at:]
        if end + length > len(buffer):
            return answers, buffer[at:]
        if buffer[at] >> 4 == 3:
            (topic,) = struct.unpack_from(">H", buffer, end)
            answers.append(b"\x40\x02" + buffer[end + 2 + topic : end + 4 + topic])
        at = end + length


def _client(name: str) -> mqtt.Client:
    return mqtt.Client(CallbackAPIVersion.VERSION2, name, clean_session=False)


def _sessions(host: str, port: int) -> None:
    """Make the sessions of those beside us at the broker, and leave."""
    for name in ("bench-raw", "bench-bare"):
        client, ready = _client(name), threading.Event()
        client.on_connect = lambda client, *_: client.subscribe(TOPIC, qos=1)
        client.on_subscribe = lambda *_, ready=ready: ready.set()
        client.connect(host, port)
        client.loop_start()
        assert ready.wait(30)
        client.disconnect()
        client.loop_stop()


def _publish(host: str, port: int, count: int) -> None:
    """Messages of the last hours, a second apart, until the broker has acknowledged all."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, "bench-publisher")
    client.max_inflight_messages_set(1000)
    client.connect(host, port)
    client.loop_start()
    start = int(time.time() * 1000) - count * 1000
    waiting = []
    for k in range(count):
        values = {f"FT-{t}": round(20 + (k * 7 + t * 13) % 997 / 50, 2) for t in range(VALUES)}
        payload = json.dumps({"time": start + k * 1000, "values": values})
        waiting.append(client.publish(TOPIC, payload, qos=1))
    for info in waiting:
        info.wait_for_publish(60)
    client.disconnect()
    client.loop_stop()


def _fleet() -> FleetVersion:
    tags = "\n".join(f'      FT-{t}: {{unit: "m3/h", range: [0, 80]}}' for t in range(VALUES))
    return parse_fleet(
        "version: 1\nfleet: Tansy Flat bench\nsites:\n  - {id: tansy-1, name: Tansy 1 pad, timezone: UTC}\n"
        "skids:\n  - id: tf-1\n    name: Skid 1\n    placements: [{site: tansy-1, from: 2020-01-01}]\n"
        f"    instruments:\n{tags}\n"
    )
