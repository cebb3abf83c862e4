"""A gateway that was offline for seven days and delivers what it kept."""

from __future__ import annotations

import random
from datetime import timedelta

import orjson
import pytest

from skidhand.clock import WallClock
from skidhand.model.samples import micros, moment, table
from skidhand.stores.base import Batch
from skidhand.stores.lake import LakeStore
from skidhand.stores.memory import MemoryStore
from tests.ingest.broker_support import Publisher, lasting_lines, service_of

SERIES = "tf-skid-1/PDT-301"
SECOND, MINUTE, DAY = 1_000_000, 60_000_000, 86_400_000_000


def payload(samples: dict[int, float]) -> bytes:
    """A list of objects: time (µs) → value."""
    return orjson.dumps([{"time": at // 1000, "values": {"PDT-301": value}} for at, value in samples.items()])


@pytest.mark.broker
def test_seven_days_of_history_come_late_and_all_is_as_if_they_had_not(mosquitto_factory, tmp_path):
    """Hours in any order, some twice, between new samples, over days that were sealed and rolled up without them.

    Each sample is stored once and is Good; buckets are those of a store that had all in order; a reader's cursor from
    before names the whole span, so that what was worked out without them is worked out again.
    """
    now = WallClock().now().replace(microsecond=0)
    start = micros(now) // DAY * DAY - 8 * DAY
    back = micros(now) - 10 * MINUTE  # the gateway is online again
    hours = [
        {at: float(at // MINUTE % 997) for at in range(first, min(first + 60 * MINUTE, back), MINUTE)}
        for first in range(start, back, 60 * MINUTE)
    ]
    before, history = hours[:3], hours[3:]
    live = [{back + k * SECOND: float(k)} for k in range(len(history))]
    order = random.Random(7).sample([*history, *history[::10]], len(history) + len(history[::10]))
    lake, server = LakeStore(str(tmp_path / "lake")), mosquitto_factory(lasting_lines())
    service, gateway = service_of(server, tmp_path, lake), Publisher(server)
    service.start(wait_connected_s=20)
    try:
        for each in (*before, live[0]):
            gateway.send(payload(each))
        assert service.wait_drained(30, messages=4)
        list(lake.tidy(now=now + timedelta(hours=2)))
        cursor, sent = lake.changes(None).cursor, 4
        for at, each in enumerate(order):
            gateway.send(payload(each))
            gateway.send(payload(live[at % len(live)]))
            sent += 2
            if at == len(order) // 2:
                assert service.wait_drained(30, messages=sent)
                list(lake.tidy(now=now + timedelta(hours=2)))
        assert service.wait_drained(30, messages=sent)
        assert not service.stats().doubted
        assert not service.stats().refused
    finally:
        service.stop()
        gateway.close()
    whole = {at: value for each in (*hours, *live) for at, value in each.items()}
    first, last = moment(start), now + timedelta(hours=1)
    changed = lake.changes(cursor).spans[SERIES]
    assert changed.first_us == min(history[0])
    assert changed.last_us == max(whole)
    in_order, rows = MemoryStore(), [(SERIES, at, value, 0, micros(now)) for at, value in sorted(whole.items())]
    in_order.write(Batch("w", 1, "0", table(rows)))
    for _ in range(2):  # before and after tidy has come by
        stored = lake.read([SERIES], first, last, policy="good")
        assert dict(zip(map(micros, stored["time"].to_pylist()), stored["value"].to_pylist(), strict=True)) == whole
        assert len(stored) == len(whole)
        for width in (60, 3600, 86_400):
            ours, theirs = (store.read_buckets([SERIES], first, last, width) for store in (lake, in_order))
            assert ours.equals(theirs)
        list(lake.tidy(now=now + timedelta(hours=2)))
    assert list(lake.verify()) == []
