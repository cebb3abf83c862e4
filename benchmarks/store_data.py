"""Samples for the store's measurements, and stores that are fed with them."""

from __future__ import annotations

import hashlib
import math
import time
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import pyarrow as pa

from simulator import generate, load_scenario
from skidhand.model.samples import SAMPLES, micros
from skidhand.stores.base import Batch, Store
from skidhand.stores.rows import micros_of

START = datetime(2026, 1, 1, tzinfo=UTC)
SECOND = 1_000_000


def signals(names: list[str], start: datetime, seconds: int, step: float, seed: int = 0) -> pa.Table:
    """A slow wave with noise, as a 12-bit converter gives it, for each series.

    Received 0.2 to 0.4 s later; every second series speaks half a step after the others.
    """
    rng = np.random.default_rng([seed, micros(start) // SECOND])
    count = int(seconds / step)
    time = micros(start) + (np.arange(count) * step * SECOND).astype("int64")
    parts = []
    for k, name in enumerate(names):
        wave = 0.5 + 0.3 * np.sin(time / SECOND / (3000 + 100 * k)) + rng.normal(0, 0.002, count)
        shifted = time + (k % 2) * int(step * SECOND / 2)  # gateways do not all speak at once
        value = np.clip(np.round(wave * 4095), 0, 4095) * (80 / 4095)
        received = shifted + rng.integers(200_000, 400_000, count)
        columns: list[Any] = [pa.repeat(pa.scalar(name), count), shifted, value, np.zeros(count, "int64"), received]
        parts.append(
            pa.table([pa.array(c).cast(f.type) for c, f in zip(columns, SAMPLES, strict=True)], schema=SAMPLES)
        )
    return pa.concat_tables(parts)


def simulated(hours: float, skids: int) -> pa.Table:
    """What the simulator's calm scenario sends, in the order in which it arrives."""
    chunks = generate(load_scenario("calm"), hours=hours, skids=skids, seed=1)
    return pa.concat_tables([chunk.samples for chunk in chunks]).sort_by("received")


def batches(samples: pa.Table, seconds: float, writer: str = "bench", first: int = 1) -> Iterator[Batch]:
    """The samples as they were received, a batch every ``seconds``."""
    slot = (micros_of(samples["received"]) / (seconds * SECOND)).astype("int64")
    order = np.argsort(slot, kind="stable")
    samples, slot = samples.take(pa.array(order, type=pa.int64())), slot[order]
    cuts = [0, *(np.flatnonzero(np.diff(slot)) + 1).tolist(), len(slot)]
    for number, (a, b) in enumerate(pairwise(cuts), first):
        digest = hashlib.sha256(f"{writer} {number}".encode()).hexdigest()
        yield Batch(writer, number, digest, samples.slice(a, b - a))


def feed(store: Store, given: Iterable[Batch]) -> int:
    """Write all; the number of the last batch."""
    number = 0
    for each in given:
        store.write(each)
        number = each.number
    return number


def fill(store: Store, names: list[str], days: float, step: float, at_once: float) -> float:
    """Write ``days`` of :func:`signals`, ``at_once`` (days) a batch, and tidy when ten are there; the seconds it took.

    Making the samples is not counted. The last tidy comes when all days are over.
    """
    spent, number, done = 0.0, 0, 0.0
    while done < days:
        part = min(at_once, days - done)
        made = list(batches(signals(names, after(done), round(part * 86_400), step), math.inf, first=number + 1))
        began = time.perf_counter()
        number = feed(store, made)
        done += part
        if number % 10 == 0 or done >= days:
            tidy(store, after(done + (2 if done >= days else 0)))
        spent += time.perf_counter() - began
    return spent


def tidy(store: Store, now: datetime) -> None:
    """Tidy at ``now``."""
    for _ in store.tidy(now=now):
        pass


def after(days: float) -> datetime:
    """``days`` after START."""
    return START + timedelta(days=days)
