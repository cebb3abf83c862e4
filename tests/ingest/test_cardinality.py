"""A sender of ever new names costs bounded memory: nothing that ingest keeps grows with what it refuses."""

import gc
import threading
import tracemalloc

import orjson

from ingest.inbox import Inbox, message
from ingest.intake import Intake
from ingest.refusal_log import KEPT
from ingest.router import Router, found_formats
from ingest.spool import Spool
from skidhand.clock import WallClock
from tests.ingest.support import LOOKUP, NOON_US, TOPIC


def bomb(first, count, kind):
    """Messages of 1,000 names each that nobody has seen before: tags, SenML names, skids and topics, one a message."""
    for start in range(first, first + count, 1000):
        numbers = range(start, start + 1000)
        match kind:
            case "tags":
                yield TOPIC, {"time": NOON_US // 1000, "values": {f"ZT-{n}": n for n in numbers}}
            case "senml":
                names = [{"n": f"urn:x:{n}", "u": f"u{n}", "v": n} for n in numbers]
                yield TOPIC.replace("samples", "senml"), names
            case "skids":
                for n in numbers:
                    yield f"skidhand/sedge-2/skid-{n}/samples", {"time": NOON_US // 1000, "values": {"FT-201": n}}
            case "topics":
                for n in numbers:
                    yield f"skidhand/sedge-2/skid-{n}/no-such-{n}", {}


def test_a_million_names_would_cost_no_more_than_some_thousand(tmp_path):
    """After 10,000 unknown names of each kind, as many more leave memory and file where they were."""
    done = []
    with Spool(tmp_path / "spool.db", reserve_bytes=0) as spool:
        intake = Intake(
            inbox=Inbox(),
            router=Router(found_formats()),
            lookup=lambda: LOOKUP,
            clock=WallClock(),
            spool=spool,
            acknowledge=lambda messages: done.append(len(messages)),
        )

        def throw(first, count):
            for kind, share in (("tags", 1), ("senml", 1), ("skids", 4), ("topics", 4)):
                batch = []
                for topic, document in bomb(first // share, count // share, kind):
                    batch.append(message(topic, orjson.dumps(document), NOON_US))
                    if len(batch) == 500:
                        assert intake.work(batch, threading.Event())
                        batch = []
                assert intake.work(batch, threading.Event())
            gc.collect()
            spool.file._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            return tracemalloc.get_traced_memory()[0], (tmp_path / "spool.db").stat().st_size

        tracemalloc.start()
        try:
            memory, size = throw(0, 10_000)  # fills the router's cache of 4,096 topics too
            after, size_after = throw(10_000, 10_000)
        finally:
            tracemalloc.stop()
        refused = spool.refusals.counts()
        assert (refused["unknown-tag"], refused["unknown-skid"], refused["bad-topic"]) == (20_000, 6_000, 6_000)
        assert sum(refused.values()) == 2 * 20_000 + 2 * 6_000
        assert len(spool.refusals.last(10**6)) == KEPT
        assert intake.figures.last_seen == {}
    assert after - memory < 200_000, "the bare text of each new name would be more"
    assert size_after < 1.5 * size
    assert sum(done) == 2 * 20 + 2 * 6_000
