"""Samples as JSON: rows of one time together, in order, nothing lost."""

import json

import pyarrow as pa
import pytest

from simulator import generate, load_scenario
from simulator.payload import messages, sites, wire_names
from skidhand.errors import InputFileError
from skidhand.fleet import parse_fleet
from skidhand.model.quality import BAD, GOOD, UNCERTAIN
from skidhand.model.samples import micros, split_series, table

T0 = 1_772_366_400_000_000  # 2026-03-01T12:00:00Z

MOVED = """
version: 1
fleet: moving
sites:
  - {id: here, name: Here, timezone: UTC}
  - {id: there, name: There, timezone: UTC}
skids:
  - id: s1
    name: S1
    placements: [{site: here, from: 2026-01-01, to: 2026-02-01}, {site: there, from: 2026-03-01}]
    instruments: {PT-1: {unit: kPa, alias: device.7}, PT-2: {unit: kPa}}
"""


def at_home(skid, time_us):
    """Every skid stands on one site."""
    return "pad"


def sent(samples, site_of=at_home, **options):
    """(topic, decoded payload) of each message."""
    return [(m.topic, json.loads(m.payload)) for m in messages(samples, site_of, **options)]


def test_rows_of_one_time_become_one_object():
    """One object per skid and source time; status only where it is not Good; null stays null."""
    rows = [
        ("s1/PT-1", T0, 1.5, GOOD, T0),
        ("s1/PT-2", T0, None, BAD, T0),
        ("s1/PT-1", T0 + 10_000_000, 1.6, UNCERTAIN, T0),
    ]
    assert sent(table(rows)) == [
        (
            "skidhand/pad/s1/samples",
            [
                {
                    "time": "2026-03-01T12:00:00.000Z",
                    "values": {"PT-1": 1.5, "PT-2": None},
                    "status": {"PT-2": BAD},
                },
                {"time": "2026-03-01T12:00:10.000Z", "values": {"PT-1": 1.6}, "status": {"PT-1": UNCERTAIN}},
            ],
        )
    ]


def test_messages_are_cut_by_points_and_by_topic():
    """At most ``points_per_message`` objects in one list, one skid to a message, a single object is no list."""
    rows = [(f"{skid}/PT-1", T0 + i * 1_000_000, 1.0, GOOD, T0) for skid in ("s1", "s2") for i in range(3)]
    found = sent(table(rows), points_per_message=2)
    assert [topic.split("/")[2] for topic, _ in found] == ["s1", "s1", "s2", "s2"]
    assert [len(p) if isinstance(p, list) else 1 for _, p in found] == [2, 1, 2, 1]
    assert isinstance(found[1][1], dict)


def test_two_readings_of_one_tag_and_time_are_both_sent():
    """A repeated key does not overwrite the first: it starts a new object."""
    rows = [("s1/PT-1", T0, value, GOOD, T0) for value in (1.0, 2.0)]
    ((_, points),) = sent(table(rows))
    assert [p["values"]["PT-1"] for p in points] == [1.0, 2.0]


def test_microseconds_survive():
    """A source time finer than a millisecond is written to the microsecond."""
    ((_, point),) = sent(table([("s1/PT-1", T0 + 123_456, 1.0, GOOD, T0)]))
    assert point["time"] == "2026-03-01T12:00:00.123456Z"


def test_the_topic_names_the_site_of_the_source_time():
    """After a move the same skid's late samples still go to where they were taken."""
    site_of = sites(parse_fleet(MOVED).fleet)
    assert site_of("s1", T0) == "there"
    assert site_of("s1", T0 - 40 * 86_400_000_000) == "here"
    with pytest.raises(InputFileError, match="'s1' stood on no site at 2026-02-09"):
        site_of("s1", T0 - 20 * 86_400_000_000)


def test_an_alias_is_the_name_on_the_wire():
    """A tag with an alias is sent under it, the others under their own name."""
    names = wire_names(parse_fleet(MOVED).fleet)
    rows = [("s1/PT-1", T0, 1.0, GOOD, T0), ("s1/PT-2", T0, 2.0, GOOD, T0)]
    ((_, point),) = sent(table(rows), names=names)
    assert point["values"] == {"device.7": 1.0, "PT-2": 2.0}


def test_nothing_is_lost_between_table_and_messages():
    """Decoding all messages of simulated hours gives the rows of the table again, in order."""
    demo = load_scenario("demo")
    site_of = sites(demo.fleet)
    for chunk in generate(demo, hours=0.5, chunk_hours=0.5):
        expected = [
            (*split_series(series), time, value)
            for series, time, value in zip(
                chunk.samples["series"].to_pylist(),
                [micros(t) for t in chunk.samples["time"].to_pylist()],
                chunk.samples["value"].to_pylist(),
                strict=True,
            )
        ]
        found, count = [], 0
        for message in messages(chunk.samples, site_of):
            skid = message.topic.split("/")[2]
            points = json.loads(message.payload)
            count += message.samples
            for point in points if isinstance(points, list) else [points]:
                time = micros(pa.scalar(point["time"]).cast(pa.timestamp("us", tz="UTC")).as_py())
                found += [(skid, tag, time, value) for tag, value in point["values"].items()]
        assert found == expected
        assert count == chunk.samples.num_rows
