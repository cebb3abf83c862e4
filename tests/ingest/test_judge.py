"""Each kind of bad input is refused with its reason, and the good samples beside it are kept."""

import json

import orjson
import pytest

from ingest.doubts import UNCERTAIN_UNITS_EXCEEDED
from ingest.inbox import MAX_PAYLOAD
from ingest.reasons import MEANING, Reason
from ingest.router import MAX_POINTS
from skidhand.model.quality import BAD, BAD_SENSOR_FAILURE, GOOD, UNCERTAIN, UNCERTAIN_LAST_USABLE
from skidhand.model.samples import SAMPLES
from tests.ingest.support import NOON_US, TOPIC, outcome

AT_NOON = "2026-03-01T12:00:00Z"


def payload(values, **more):
    """A payload at noon; NaN and infinities are written as many senders do."""
    return json.dumps({"time": AT_NOON, "values": values} | more).encode()


def test_a_good_message_is_taken_whole():
    """Numbers, integers and booleans come out as floats at their time, Good, under their series."""
    got = outcome(payload({"FT-201": 39.8, "PDT-301": 4, "XS-301": True}))
    assert got.refused == {}
    assert got.samples.schema == SAMPLES
    assert got.values == {"FT-201": 39.8, "PDT-301": 4.0, "XS-301": 1.0}
    assert set(got.quality.values()) == {GOOD}
    assert got.samples["series"].to_pylist()[0] == "tf-skid-1/FT-201"
    assert [value.value for value in got.samples["time"]] == [NOON_US] * 3
    assert [value.value for value in got.samples["received"]] == [NOON_US] * 3


BESIDE = [
    ("unknown tag", {"ZT-999": 1.0}, "unknown-tag"),
    ("slash", {"FT/201": 1.0}, "bad-id"),
    ("quote", {'FT"201': 1.0}, "bad-id"),
    ("SQL", {"'; DROP TABLE samples; --": 1.0}, "bad-id"),
    ("newline", {"FT-201\n": 1.0}, "bad-id"),
    ("formula", {"=1+1": 1.0}, "bad-id"),
    ("empty tag", {"": 1.0}, "bad-id"),
    ("lone surrogate", {"\ud800": 1.0}, "bad-id"),
    ("very long tag", {"F" * 100_000: 1.0}, "bad-id"),
    ("text", {"FT-201": "39.8"}, "wrong-type"),
    ("list", {"FT-201": [39.8]}, "wrong-type"),
    ("object", {"FT-201": {"value": 39.8}}, "wrong-type"),
    ("NaN", {"FT-201": float("nan")}, "not-a-number"),
    ("infinity", {"FT-201": float("inf")}, "not-a-number"),
    ("minus infinity", {"FT-201": float("-inf")}, "not-a-number"),
    ("integer beyond a float", {"FT-201": 10**400}, "not-a-number"),
]


@pytest.mark.parametrize(("values", "reason"), [case[1:] for case in BESIDE], ids=[case[0] for case in BESIDE])
def test_a_bad_value_is_refused_and_its_neighbours_kept(values, reason):
    """One bad value in a message costs that value alone."""
    got = outcome(payload({"PDT-301": 4.25} | values | {"XS-301": 0}))
    assert got.refused == {reason: 1}
    assert got.values == {"PDT-301": 4.25, "XS-301": 0.0}


def test_numbers_that_overflow_are_infinite():
    """RFC 8259 lets a reader take 1e999 as it can: it is refused as not a number, its neighbour kept."""
    got = outcome(b'{"time": 1772366400000, "values": {"FT-201": 1e999, "PDT-301": 1}}')
    assert (got.refused, got.values) == ({"not-a-number": 1}, {"PDT-301": 1.0})


def test_great_numbers_are_numbers():
    """A sum of two of the largest floats overflows; each of them is finite all the same."""
    great = 1.7e308
    got = outcome(payload({"PDT-301": great, "XS-301": great}))
    assert (got.refused, got.values) == ({}, {"PDT-301": great, "XS-301": great})


@pytest.mark.parametrize(
    "bad",
    [1.5, -1, 2**32, "Good", None, True, [], 1e0],
    ids=repr,
)
def test_a_status_that_is_no_code_costs_its_value(bad):
    """Without a readable status a value's quality is unknown, so it is not taken as Good."""
    got = outcome(payload({"FT-201": 1.0, "PDT-301": 2.0}, status={"FT-201": bad}))
    assert (got.refused, got.values) == ({"bad-status": 1}, {"PDT-301": 2.0})


def test_a_status_without_a_value_is_counted():
    """It says something of nothing; the values beside it are kept."""
    got = outcome(payload({"FT-201": 1.0}, status={"PDT-301": BAD}))
    assert (got.refused, got.values) == ({"bad-status": 1}, {"FT-201": 1.0})


def test_the_senders_status_is_the_quality():
    """Any 32-bit StatusCode comes through, the highest too."""
    codes = {"FT-201": UNCERTAIN_LAST_USABLE, "PDT-301": 0xFFFFFFFF, "XS-301": 0x00960000}
    got = outcome(payload({"FT-201": 1.0, "PDT-301": 2.0, "XS-301": 1}, status=codes))
    assert (got.refused, got.quality) == ({}, codes)


def test_null_is_no_reading():
    """A null is kept as null, Bad; a Bad code of the sender's is kept, a milder one is not believed."""
    values = {"FT-201": None, "PDT-301": None, "XS-301": None}
    got = outcome(payload(values, status={"FT-201": BAD_SENSOR_FAILURE, "PDT-301": UNCERTAIN}))
    assert got.values == values
    assert got.quality == {"FT-201": BAD_SENSOR_FAILURE, "PDT-301": BAD, "XS-301": BAD}


def test_a_value_outside_the_declared_range_is_kept_in_doubt():
    """The value is not altered; Good becomes Uncertain, and a Bad of the sender's stays Bad."""
    got = outcome(payload({"FT-201": 80.01, "plc.oil out": -0.01}, status={"plc.oil out": BAD}))
    assert got.values == {"FT-201": 80.01, "AT-301": -0.01}
    assert got.quality == {"FT-201": UNCERTAIN_UNITS_EXCEEDED, "AT-301": BAD}
    assert outcome(payload({"FT-201": 80, "AT-301": 0})).quality == {"FT-201": GOOD, "AT-301": GOOD}


def test_an_alias_is_its_tag():
    """The name on the wire and the tag lead to one series."""
    assert outcome(payload({"plc.oil out": 3.5})).values == {"AT-301": 3.5}
    assert outcome(payload({"AT-301": 3.5})).values == {"AT-301": 3.5}


@pytest.mark.parametrize(
    ("topic", "reason"),
    [
        ("skidhand/nowhere/tf-skid-1/samples", "unknown-site"),
        ("skidhand/sedge-2/tf-skid-99/samples", "unknown-skid"),
        ("skidhand/tansy-4/tf-skid-1/samples", "site-mismatch"),
        ("skidhand/sedge'2/tf-skid-1/samples", "bad-id"),
        ("skidhand/sedge-2/=cmd()/samples", "bad-id"),
        ("skidhand/sedge-2/a\nb/samples", "bad-id"),
        ("skidhand/sedge-2/tf/skid-1/samples", "bad-topic"),
        ("skidhand/sedge-2/tf-skid-1/other", "bad-topic"),
        ("", "bad-topic"),
    ],
)
def test_a_bad_topic_costs_the_message(topic, reason):
    """All samples of a message whose topic names no asset are counted under one reason."""
    got = outcome(payload({"FT-201": 1.0, "PDT-301": 2.0}), topic)
    assert got.refused == {reason: 1 if reason == "bad-topic" else 2}
    assert len(got.samples) == 0


def test_the_site_is_where_the_skid_stood_at_the_samples_own_time():
    """Back-filled samples go by their own time: each of a list is judged by itself."""
    items = [
        {"time": "2026-01-31T12:00:00Z", "values": {"FT-201": 1.0}},  # still at tansy-4
        {"time": "2026-02-01T05:59:59Z", "values": {"FT-201": 2.0}},  # 23:59:59 of the last day there (UTC−6)
        {"time": "2026-02-01T06:00:00Z", "values": {"FT-201": 3.0}},  # on the road
        {"time": "2026-03-01T11:00:00Z", "values": {"FT-201": 4.0}},  # at sedge-2
    ]
    old = outcome(orjson.dumps(items), "skidhand/tansy-4/tf-skid-1/samples")
    new = outcome(orjson.dumps(items), TOPIC)
    assert old.samples["value"].to_pylist() == [1.0, 2.0]
    assert new.samples["value"].to_pylist() == [4.0]
    assert (old.refused, new.refused) == ({"site-mismatch": 2}, {"site-mismatch": 3})


def test_shared_tanks_of_a_site_have_a_name_of_their_own():
    """Instruments that stand under a site are sent with the site in the skid's place."""
    got = outcome(payload({"LT-900": 12.0}), "skidhand/sedge-2/sedge-2/samples")
    assert got.samples["series"].to_pylist() == ["sedge-2/LT-900"]
    assert outcome(payload({"LT-900": 1.0}), "skidhand/tansy-4/sedge-2/samples").refused == {"site-mismatch": 1}


@pytest.mark.parametrize(
    ("time", "reason"),
    [
        ("0001-01-01T00:00:00Z", "time-out-of-range"),
        ("1999-12-31T23:59:59.999999Z", "time-out-of-range"),
        ("2026-03-02T12:00:00.000001Z", "time-out-of-range"),
        ("2100-01-01T00:00:00Z", "time-out-of-range"),
        (10**300, "time-out-of-range"),
        (1e300, "time-out-of-range"),
        (1_772_366_400, "time-out-of-range"),  # seconds where milliseconds belong: January 1970
        ("yesterday", "bad-time"),
        (None, "bad-time"),
    ],
    ids=repr,
)
def test_a_bad_time_costs_its_object_alone(time, reason):
    """The other objects of the list are kept."""
    items = [{"time": time, "values": {"FT-201": 1.0, "PDT-301": 1.0}}, {"time": AT_NOON, "values": {"FT-201": 2.0}}]
    got = outcome(json.dumps(items).encode())
    assert (got.refused, got.values) == ({reason: 2}, {"FT-201": 2.0})


def test_a_time_ahead_of_its_receipt_is_kept_in_doubt():
    """Up to a minute ahead is Good, more is Uncertain, more than a day is refused."""
    times = ["2000-01-01T00:00:00Z", "2026-03-01T12:01:00Z", "2026-03-01T12:01:00.000001Z", "2026-03-02T12:00:00Z"]
    items = [{"time": time, "values": {"FT-201": 1.0}} for time in times[1:]]
    got = outcome(orjson.dumps(items))
    assert got.samples["quality"].to_pylist() == [GOOD, UNCERTAIN, UNCERTAIN]
    got = outcome(orjson.dumps({"time": times[0], "values": {"LT-900": 1.0}}), "skidhand/sedge-2/sedge-2/samples")
    assert got.quality == {"LT-900": GOOD}


def test_a_replay_is_not_judged_by_a_clock():
    """Where the recording's own time is the clock, far ahead is nothing to doubt; the calendar still holds."""
    items = [{"time": time, "values": {"FT-201": 1.0}} for time in ("2031-05-01T00:00:00Z", "2100-01-01T00:00:00Z")]
    got = outcome(orjson.dumps(items), own_time=True)
    assert (got.quality, got.refused) == ({"FT-201": GOOD}, {"time-out-of-range": 1})


@pytest.mark.parametrize(
    ("raw", "refused"),
    [
        (b"", {"bad-json": 1}),
        (b"{", {"bad-json": 1}),
        (b"\xef\xbb\xbf{}", {"bad-json": 1}),
        (b'{"time": 1772366400000, "values": {"FT-201": \xff}}', {"bad-utf8": 1}),
        (b'{"time": 1772366400000, "values": {"\xc3\x28": 1}}', {"bad-utf8": 1}),
        (b"[" * 100_000, {"bad-json": 1}),
        (b'{"a":' * 100_000, {"bad-json": 1}),
        (b"1" * 5000, {"bad-json": 1}),
        (b"null", {"bad-shape": 1}),
        (b"42", {"bad-shape": 1}),
        (b'"text"', {"bad-shape": 1}),
        (b"{}", {"bad-shape": 1}),
        (b'{"time": 1772366400000}', {"bad-shape": 1}),
        (b'{"values": {"FT-201": 1, "PDT-301": 2}}', {"bad-time": 2}),
        (b'{"time": 1772366400000, "values": [1, 2]}', {"bad-shape": 1}),
        (b'{"time": 1772366400000, "values": {"FT-201": 1}, "status": 3}', {"bad-shape": 1}),
        (b'{"v": 2, "time": 1772366400000, "values": {"FT-201": 1}}', {"bad-shape": 1}),
    ],
    ids=lambda value: repr(value)[:40],
)
def test_what_is_no_payload_is_refused(raw, refused):
    """A message that cannot be read is counted once, under what was wrong with it."""
    got = outcome(raw)
    assert (got.refused, len(got.samples)) == (refused, 0)


def test_bad_objects_cost_nothing_beside_them():
    """A list may hold anything; its good objects are kept."""
    good = {"v": 1, "time": AT_NOON, "values": {"FT-201": 7.0}, "sequence": 12}
    got = outcome(orjson.dumps([None, 1, "x", [], {}, good]))
    assert (got.refused, got.values) == ({"bad-shape": 5}, {"FT-201": 7.0})


def test_nothing_to_store_is_nothing_wrong():
    """An empty list and an object without values are taken, with no samples."""
    for raw in (b"[]", b'{"time": 1772366400000, "values": {}}'):
        got = outcome(raw)
        assert (got.refused, len(got.samples)) == ({}, 0)


def test_the_last_of_repeated_keys_counts():
    """As RFC 8259 says of most readers; nothing is doubled."""
    got = outcome(b'{"time": 1, "time": 1772366400000, "values": {"FT-201": 1, "FT-201": 2}}')
    assert (got.refused, got.samples["value"].to_pylist()) == ({}, [2.0])


def test_too_large_a_payload_is_refused_by_its_size():
    """10 MB are refused before anything is read; 1 MB is read."""
    assert outcome(b" " * 10_000_000).refused == {"too-large": 1}
    at_limit = payload({"FT-201": 1.0}).ljust(MAX_PAYLOAD)
    assert outcome(at_limit).values == {"FT-201": 1.0}
    assert outcome(at_limit + b" ").refused == {"too-large": 1}


def test_too_many_points_are_refused_as_a_whole():
    """A list of 100,000 points is one refusal of 100,000, and 10,000 in one message are taken."""
    assert outcome(b"[" + b",".join([b"1"] * 100_000) + b"]").refused == {"too-many-points": 100_000}
    items = [{"time": 1772366400000 - n, "values": {"PDT-301": n}} for n in range(MAX_POINTS)]
    assert len(outcome(orjson.dumps(items)).samples) == MAX_POINTS
    assert outcome(orjson.dumps([*items, items[0]])).refused == {"too-many-points": MAX_POINTS + 1}


def test_every_reason_has_a_meaning():
    """A reason that nobody can look up helps nobody."""
    assert set(MEANING) == set(Reason)
