"""SenML against RFC 8428: its own examples, its rules, units, and what no sender can break."""

import json

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from ingest.bench import Bench
from ingest.formats.senml import PLUGIN
from ingest.formats.senml_units import UCUM
from ingest.inbox import message
from ingest.lookup import build_lookup
from ingest.router import Router, found_formats
from skidhand.fleet import parse_fleet
from skidhand.model.quality import is_bad
from skidhand.units import check_unit
from tests.ingest.support import NOON_US

patient = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])

FLEET = parse_fleet("""
version: 1
fleet: Tansy Flat reuse
owner: Tansy Flat Water
sites: [{id: tansy-4, name: Tansy 4 pad, timezone: UTC}]
skids:
  - id: tf-skid-1
    name: Skid 1
    placements: [{site: tansy-4, from: 2009-01-01}]
    instruments:
      voltage: {unit: "V"}
      current: {unit: "mA"}
      temperature: {unit: "[degF]", range: [0, 200]}
      PT-201: {unit: "[psi]"}
      FT-201: {unit: "[gal_us]/min"}
      AT-301: {unit: "mg/L"}
      AT-401: {unit: "[pH]"}
      AT-402: {unit: "{NTU}"}
      XS-301: {unit: "1", states: {0: service, 1: backwash}}
      MT-100: {unit: "%", alias: "urn:dev:ow:10e2073a01080063"}
      TT-105: {unit: "Cel", alias: "2001:db8::1/temperature"}
""")
LOOKUP = build_lookup(FLEET)
TOPIC = "skidhand/tansy-4/tf-skid-1/senml"

# RFC 8428 section 5.1.2, the second example.
MULTIPLE = (
    '[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},'
    '{"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3}]'
)
# RFC 8428 section 5.1.3, its first four records.
MOBILE = (
    '[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},'
    '{"u":"lon","v":24.30621},{"u":"lat","v":60.07965},{"t":60,"v":20.3}]'
)
# RFC 8428 section 5.1.6.
COLLECTION = (
    '[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},'
    '{"n":"humidity","u":"%RH","v":30},'
    '{"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},{"n":"humidity","u":"%RH","v":67}]'
)


def resolved(payload):
    """Every value that the format reads: (name, seconds, value, UCUM code), in the order of the readings."""
    decoded = PLUGIN.decode(TOPIC, payload.encode())
    return [
        (name, reading.time_us / 1e6, value, reading.units.get(name))
        for reading in decoded.readings
        for name, value in reading.values.items()
    ]


def judged(pack, received_us=NOON_US):
    """What a pack comes to: rows of (tag, seconds, value), and refusals by reason."""
    payload = pack if isinstance(pack, bytes) else (pack if isinstance(pack, str) else json.dumps(pack)).encode()
    bench = Bench(LOOKUP)
    decoded = Router(found_formats()).decode(message(TOPIC, payload, received_us))
    for reading in decoded.readings:
        bench.judge(reading, received_us, decoded.refused)
    rows = [
        (row["series"].partition("/")[2], row["time"].timestamp(), row["value"]) for row in bench.table().to_pylist()
    ]
    return rows, {reason.value: refusal.count for reason, refusal in decoded.refused.by_reason.items()}


def test_a_single_datapoint_is_now():
    """RFC 8428 section 5.1.1: no time at all means roughly now, which is the receive time; no tag, so the alias."""
    pack = '[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'
    assert resolved(pack) == [("urn:dev:ow:10e2073a01080063", 0.0, 23.1, "Cel")]
    pack = pack.replace("Cel", "%RH")
    assert judged(pack) == ([("MT-100", NOON_US / 1e6, 23.1)], {})


def test_multiple_datapoints():
    """RFC 8428 section 5.1.2: base name, time and unit carry on; a record's own unit does not; older bver is read."""
    name = "urn:dev:ow:10e2073a0108006:"
    assert resolved(MULTIPLE) == [
        (name + "voltage", pytest.approx(1276020076.001, abs=1e-6), 120.1, "V"),
        (name + "current", pytest.approx(1276020071.001, abs=1e-6), 1.2, "A"),
        (name + "current", pytest.approx(1276020072.001, abs=1e-6), 1.3, "A"),
    ]
    rows, refused = judged(MULTIPLE)
    assert refused == {}
    assert [(tag, value) for tag, _, value in rows] == [
        ("voltage", 120.1), ("current", pytest.approx(1200)), ("current", pytest.approx(1300)),
    ]  # fmt: skip


def test_a_mobile_device():
    """RFC 8428 section 5.1.3: a unit in between does not change the base unit; what is no position here is refused."""
    name = "urn:dev:ow:10e2073a01080063"
    assert resolved(MOBILE) == [(name, 1320067464.0, 20, "%"), (name, 1320067524.0, 20.3, "%")]
    assert judged(MOBILE) == (
        [("MT-100", 1320067464.0, 20.0), ("MT-100", 1320067524.0, 20.3)],
        {"bad-unit": 2},
    )


def test_several_data_types():
    """As RFC 8428 section 5.1.5, with tags of ours: numbers and booleans are taken, text and data are refused."""
    pack = (
        '[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temperature","u":"Cel","v":23.1},'
        '{"n":"label","vs":"Machine Room"},{"n":"XS-301","vb":false},{"n":"nfc-reader","vd":"aGkgCg"}]'
    )
    assert judged(pack) == (
        [("temperature", NOON_US / 1e6, pytest.approx(73.58)), ("XS-301", NOON_US / 1e6, 0.0)],
        {"wrong-type": 2},
    )


def test_a_collection_of_resources():
    """RFC 8428 section 5.1.6: a new base name, the old base time; a last part that two names share names neither."""
    assert resolved(COLLECTION) == [
        ("2001:db8::2/temperature", 1320078429.0, 25.2, "Cel"),
        ("2001:db8::2/humidity", 1320078429.0, 30, "%"),
        ("2001:db8::1/temperature", 1320078429.0, 12.3, "Cel"),
        ("2001:db8::1/humidity", 1320078429.0, 67, "%"),
    ]
    rows, refused = judged(COLLECTION)
    assert rows == [("TT-105", 1320078429.0, 12.3)]  # by its alias; "temperature" alone would be a guess
    assert sum(refused.values()) == 3


@pytest.mark.parametrize(
    ("base", "own", "seconds"),
    [
        (None, None, 0), (None, -5, -5), (-10, 4, -6), (None, 3, 3), (None, 0.25, 0.25),
        (2**28, 0, 2**28 - NOON_US / 1e6), (2**28, -1, 2**28 - 1), (1772366400, -1, 1772366399 - NOON_US / 1e6),
        (1772366400.25, None, 1772366400.25 - NOON_US / 1e6),
    ],
)  # fmt: skip
def test_times_below_two_to_the_28_are_from_now(base, own, seconds):
    """RFC 8428 section 4.5.3: base time and time are added; below 2^28 the sum counts from now, else from 1970."""
    record = {"n": "voltage", "v": 1}
    record |= ({"bt": base} if base is not None else {}) | ({"t": own} if own is not None else {})
    (reading,) = PLUGIN.decode(TOPIC, json.dumps([record]).encode()).readings
    assert reading.received_at(NOON_US).time_us - NOON_US == pytest.approx(seconds * 1e6, abs=1)
    assert not reading.received_at(NOON_US).relative


def test_a_base_value_is_added_and_may_be_set_anew():
    """RFC 8428 section 4.1: base fields apply from the record they stand in until the next that sets them."""
    pack = [{"bn": "voltage", "bt": 1772366400, "bv": 100, "v": 1}, {"t": 1, "v": 2.5}, {"t": 2, "bv": 0, "v": 3}]
    assert [value for _, _, value in judged(pack)[0]] == [101.0, 102.5, 3.0]


def test_a_name_twice_at_one_time_is_two_values():
    """The later one counts for a reader (same series, time and receipt), but the format drops neither."""
    pack = [{"n": "voltage", "v": 1}, {"n": "FT-201", "v": 2}, {"n": "voltage", "v": 3}]
    assert [(tag, value) for tag, _, value in judged(pack)[0]] == [("voltage", 1.0), ("FT-201", 2.0), ("voltage", 3.0)]


def test_a_record_of_base_fields_alone_sets_them():
    """It is no value, and nothing of it is refused; a pack of nothing else is."""
    assert judged([{"bn": "plc/", "bt": 1772366400}, {"n": "voltage", "v": 1}]) == (
        [("voltage", 1772366400.0, 1.0)],
        {},
    )
    assert judged([{"bn": "plc/"}]) == ([], {"bad-shape": 1})


@pytest.mark.parametrize(
    ("tag", "unit", "value", "stored"),
    [
        # Exact definitions: NIST SP 811 (2008) appendix B, psi 6,894.757 Pa, US gallon 3.785412 L, degF.
        ("PT-201", "Pa", 6894.757, 1.0), ("PT-201", "hPa", 68.94757, 1.0), ("FT-201", "l/s", 3.785412, 60.0),
        ("FT-201", "m3/s", 3.785412e-3, 60.0), ("temperature", "K", 373.15, 212.0), ("temperature", "Cel", -10, 14.0),
        ("AT-301", "kg/m3", 0.25, 250.0), ("AT-301", "ug/m3", 5e5, 0.5), ("MT-100", "/", 0.4, 40.0),
        ("MT-100", "%EL", 40, 40.0), ("AT-401", "pH", 7.5, 7.5), ("AT-402", "NTU", 12, 12.0), ("XS-301", "/", 1, 1.0),
        ("current", "A", 0.5, 500.0), ("voltage", "mV", 24100, 24.1), ("XS-301", "count", 1, 1.0),
    ],
)  # fmt: skip
def test_values_are_stored_in_the_declared_unit(tag, unit, value, stored):
    """A SenML unit is turned into the unit that the fleet file declares."""
    rows, refused = judged([{"n": tag, "u": unit, "v": value}])
    assert refused == {}
    assert rows == [(tag, NOON_US / 1e6, pytest.approx(stored, rel=1e-6))]


def test_a_value_without_a_unit_is_in_the_declared_one():
    """RFC 8428 section 4.5.2 allows neither unit nor base unit; and a value in the declared unit stays bit for bit."""
    rows, _ = judged([{"n": "voltage", "v": 0.1}, {"n": "PT-201", "v": -0.0}, {"n": "MT-100", "u": "%", "v": 0.1}])
    assert [str(value) for _, _, value in rows] == ["0.1", "-0.0", "0.1"]


def test_a_boolean_has_no_unit():
    """A base unit is meant for the numbers beside it."""
    pack = [{"bu": "V", "n": "voltage", "v": 1}, {"n": "XS-301", "vb": True}]
    assert judged(pack) == ([("voltage", NOON_US / 1e6, 1.0), ("XS-301", NOON_US / 1e6, 1.0)], {})


@pytest.mark.parametrize(
    ("record", "reason"),
    [
        ({"u": "Pa"}, "bad-unit"), ({"u": "psi"}, "bad-unit"), ({"u": ""}, "bad-unit"), ({"u": 5}, "bad-unit"),
        ({"v": "12"}, "wrong-type"), ({"v": True}, "wrong-type"), ({"v": [1]}, "wrong-type"), ({"vb": 1}, "bad-shape"),
        ({"n": None}, "bad-shape"), ({"n": "nothing"}, "unknown-tag"), ({"n": "=1+1"}, "bad-id"),
        ({"n": "urn:dev:mac:0024befffe804ff1:XT-9"}, "unknown-tag"), ({"t": "noon"}, "bad-time"),
        ({"t": 1e18}, "time-out-of-range"), ({"t": -1e18}, "time-out-of-range"), ({"t": True}, "bad-time"),
        ({"t": float("nan")}, "bad-time"), ({"v": float("nan")}, "not-a-number"), ({"v": 10**400}, "not-a-number"),
        ({"u": "mV", "n": "current"}, "bad-unit"), ({"u": "A", "v": 1.7e308, "n": "current"}, "not-a-number"),
    ],
)  # fmt: skip
def test_one_bad_record_costs_itself_alone(record, reason):
    """It is refused with its reason, and the good one after it is taken."""
    pack = [{"n": "voltage", "v": 1} | record, {"n": "FT-201", "v": 2}]
    assert judged(pack) == ([("FT-201", NOON_US / 1e6, 2.0)], {reason: 1})


@pytest.mark.parametrize(
    ("base", "reason"),
    [({"bt": "now"}, "bad-time"), ({"bv": "1"}, "wrong-type"), ({"bn": 1}, "bad-shape"), ({"bu": 1}, "bad-unit")],
)
def test_a_bad_base_field_costs_all_that_depends_on_it(base, reason):
    """Records before it are taken; it and all after it cannot be resolved."""
    pack = [{"n": "voltage", "v": 1}, {"n": "FT-201", "v": 2} | base, {"n": "PT-201", "v": 3}]
    assert judged(pack) == ([("voltage", NOON_US / 1e6, 1.0)], {reason: 2})


@pytest.mark.parametrize("more", [{"bver": 11}, {"bver": 0}, {"bver": "5"}, {"bver": True}, {"safety_": 1}])
def test_what_must_be_understood_and_is_not_is_refused_whole(more):
    """RFC 8428 section 4.4: a newer version, or an unknown field that ends in an underscore."""
    assert judged([{"n": "voltage", "v": 1}, {"n": "FT-201", "v": 2} | more]) == ([], {"bad-shape": 2})


def test_other_unknown_fields_are_passed_over():
    """RFC 8428 section 4.4; the update time too."""
    assert judged([{"bver": 10, "n": "voltage", "v": 1, "ut": 60, "x": {}, "l": "z"}])[1] == {}


def test_sums_are_refused_and_the_values_beside_them_taken():
    """RFC 8428 section 4.2: a sum stands in for a value or beside one; the historian has no place for it."""
    pack = [{"n": "voltage", "v": 1, "s": 10}, {"n": "FT-201", "s": 3}, {"n": "PT-201", "v": 2}]
    assert judged(pack) == ([("voltage", NOON_US / 1e6, 1.0), ("PT-201", NOON_US / 1e6, 2.0)], {"wrong-type": 2})
    assert judged([{"bs": 5, "n": "voltage", "v": 1}])[1] == {"wrong-type": 1}


@pytest.mark.parametrize("pack", ["[]", "{}", "5", '"x"', "[{}]", "[7]", '[{"v": 1}]', '[{"n": "voltage"}]'])
def test_what_is_no_pack_is_counted(pack):
    """RFC 8428 section 3: a pack is a list of one record or more, and each value has a name."""
    assert judged(pack) == ([], {"bad-shape": 1})


def test_null_is_no_reading():
    """Not SenML, but many senders write it: as in plain JSON it is kept as Bad without a value."""
    bench = Bench(LOOKUP)
    (reading,) = PLUGIN.decode(TOPIC, b'[{"n":"voltage","u":"mV","v":null}]').readings
    bench.judge(reading, NOON_US, PLUGIN.decode(TOPIC, b"[]").refused)
    (row,) = bench.table().to_pylist()
    assert row["value"] is None
    assert is_bad(row["quality"])


def test_every_unit_of_the_table_is_one_that_converts():
    """Each UCUM code of the table is known to the units library."""
    for code in UCUM.values():
        check_unit(code)


scalars = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5) | st.just(10**400)
texts = st.sampled_from(["voltage", "x:", "a/FT-201", "", "V", "Cel", "lat"]) | scalars
records = st.fixed_dictionaries(
    {},
    optional={"n": texts, "bn": texts, "u": texts, "bu": texts}
    | dict.fromkeys(("v", "t", "bt", "bv", "bs", "s", "vb", "vs", "vd", "ut"), scalars),
)


@patient
@given(st.binary(max_size=300))
@example(b'[{"n":"voltage","v":1e999}]')
@example(b'[{"n":"voltage","bt":-1e300,"t":1e300,"v":1}]')
def test_arbitrary_bytes_never_crash(raw):
    """Whatever the bytes, there are readings or refusals, and the judge goes on."""
    rows, refused = judged(raw)
    assert rows or sum(refused.values())


@patient
@given(st.lists(records | scalars, max_size=6))
def test_near_misses_never_crash_and_lose_no_count(pack):
    """Every record with a value is taken or counted."""
    rows, refused = judged(json.dumps(pack))
    valued = sum(1 for record in pack if isinstance(record, dict) and {"v", "vb", "vs", "vd"} & record.keys())
    assert len(rows) + sum(refused.values()) >= valued
