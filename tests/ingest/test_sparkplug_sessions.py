"""Sessions of edge nodes: births, order, deaths, by the specification's rules (ISO/IEC 20237:2023, ids in brackets)."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.sparkplug import sessions as sessions_module
from ingest.sparkplug.births import BAD_NO_COMMUNICATION
from ingest.sparkplug.order import InOrder, Window
from skidhand.model.quality import BAD, GOOD, UNCERTAIN, UNCERTAIN_LAST_USABLE
from skidhand.sparkplug.wire import DataType
from tests.ingest.sparkplug_support import (
    DEVICE,
    NODE,
    NOON_MS,
    Bed,
    data,
    device_birth,
    double,
    node_birth,
    node_death,
    payload,
)
from tests.ingest.support import NOON_US

BORN = (node_birth(0), device_birth(1))
GATEWAY = ("sedge-2", "gw-1")


def numbers(bed, tag="FT-201"):
    """The values of one tag in the order in which they were stored, the birth's 0 left out."""
    return [value for value, _ in bed.rows(tag) if value]


def test_births_give_values_and_names():
    """[payloads-alias-birth-requirement] Values of a birth are stored; data then speaks by alias."""
    bed = Bed().send(*BORN, data(2, 5.0, 1), data(3, 6.0, 2), data(4, 7.0, 3))
    assert bed.got.values == {"FT-201": 5.0, "AT-301": 6.0, "PDT-301": 7.0}
    assert bed.rows() == [(0.0, GOOD), (5.0, GOOD)]
    assert (bed.refused, bed.asked) == ({}, [])


def test_data_by_name_needs_no_birth():
    """[payloads-name-requirement] A gateway that uses no aliases is understood at once; its births are asked for."""
    bed = Bed().send((DEVICE.format("DDATA"), payload(9, double("FT-201", 5.0))))
    assert bed.rows() == [(5.0, GOOD)]
    assert bed.asked == [GATEWAY]


def test_an_alias_without_a_birth_waits_for_one():
    """[operational-behavior-data-commands-rebirth-action-1] After our restart aliases mean nothing.

    Births are asked for. What they explain in time is stored in doubt, for others may have been in force; the
    rest is counted.
    """
    bed = Bed().send(data(7, 1.0), data(8, 2.0))
    assert (bed.out, bed.asked, bed.acknowledged) == ([], [GATEWAY], [])
    bed.wait(4.9).send(node_birth(0), device_birth(1), data(2, 3.0))
    assert bed.rows() == [(0.0, GOOD), (1.0, UNCERTAIN), (2.0, UNCERTAIN), (3.0, GOOD)]
    assert (len(bed.acknowledged), bed.refused) == (5, {})
    late = Bed().send(data(7, 1.0)).wait(4.9).send(data(8, 2.0)).wait(0.1)
    assert (late.refused, len(late.acknowledged)) == ({"unknown-alias": 1}, 1)
    assert late.wait(5).refused == {"unknown-alias": 2}


def test_an_alias_that_the_birth_in_force_lacks_is_counted_at_once():
    """Such a gateway contradicts itself; it holds nothing up, and is asked to be born anew."""
    bed = Bed().send(*BORN, data(2, 2.0, alias=77), data(3, 3.0))
    assert (bed.refused, numbers(bed), bed.asked) == ({"unknown-alias": 1}, [3.0], [GATEWAY])


def test_nodes_that_never_were_born_are_forgotten():
    """What waited of them is counted, and no memory is left."""
    bed = Bed().send(*((f"spBv1.0/sedge-2/DDATA/gw-{i}/tf-skid-1", data(0, 1.0)[1]) for i in range(30)))
    assert len(bed.sessions._edges) == 30
    bed.wait(5.0)
    assert (bed.refused, len(bed.sessions._edges)) == ({"unknown-alias": 30}, 0)


def test_the_end_leaves_nothing_waiting():
    """When ingest stops, what waits is worked off as it stands, so that it is counted or stored."""
    bed = Bed().send(data(7, 1.0))
    other = Bed().send(*BORN, data(3, 3.0))
    assert [len(b.sessions.give_up()) for b in (bed, other)] == [1, 1]


def test_no_more_waits_than_may():
    """However much comes that nothing explains, a hundred and one messages wait at most."""
    bed = Bed().send(*(data(i % 256, float(i)) for i in range(1, 300))).wait(0.0)
    assert len(bed.out) == 299 - 100


def test_data_types_come_from_the_birth():
    """[payloads-metric-datatype-req] Data may leave its type out; −1 as Int16 is −1."""
    metric = {"name": "XS-301", "alias": 9, "timestamp": NOON_MS, "datatype": DataType.Int16, "int_value": 1}
    later = {"alias": 9, "timestamp": NOON_MS + 1000, "int_value": 0xFFFF}
    bed = Bed().send(node_birth(0), (DEVICE.format("DBIRTH"), payload(1, metric)))
    bed.send((DEVICE.format("DDATA"), payload(2, later)))
    assert bed.rows("XS-301") == [(1.0, GOOD), (-1.0, GOOD)]


@pytest.mark.parametrize(
    ("quality", "stored"), [(192, GOOD), (0, BAD), (500, UNCERTAIN_LAST_USABLE)], ids=["good", "bad", "stale"]
)
def test_quality_codes(quality, stored):
    """[payloads-propertyset-quality-value-value] 192, 0 and 500 become StatusCodes of OPC 10000-8."""
    assert Bed().send(*BORN, data(2, 5.0, quality=quality)).rows()[-1] == (5.0, stored)


def test_another_quality_code_is_refused():
    """A code that the specification does not know is no quality: the value is counted, not guessed at."""
    bed = Bed().send(*BORN, data(2, 5.0, quality=64))
    assert (bed.refused, numbers(bed)) == ({"bad-status": 1}, [])


def test_null_historical_and_transient():
    """is_null is no reading; is_historical is stored at its own time; is_transient is not stored."""
    bed = Bed().send(*BORN)
    bed.send((DEVICE.format("DDATA"), payload(2, double(None, None, alias=1))))
    bed.send(data(3, -3600.0, is_historical=True))
    bed.send(data(4, 5.0, is_transient=True))
    assert bed.rows() == [(0.0, GOOD), (None, BAD), (-3600.0, 0x40940000)]  # below the declared range
    assert bed.got.samples["time"].to_pylist()[-1].timestamp() == NOON_US / 1e6 - 3600
    assert bed.refused == {}


def test_housekeeping_of_the_gateway_is_no_measurement():
    """Node Control, Device Control and Properties are neither stored nor counted; the node's own values are judged."""
    text = {"name": "Properties/Hardware Make", "datatype": DataType.String, "string_value": "x", "timestamp": NOON_MS}
    bed = Bed().send(node_birth(0), (DEVICE.format("DBIRTH"), payload(1, text)))
    assert (len(bed.got.samples), bed.refused) == (0, {})
    bed.send((NODE.format("NDATA"), payload(2, double("CPU", 1.0))))
    assert bed.refused == {"unknown-skid": 1}  # gw-1 is none


def test_an_edge_node_may_be_a_skid_itself():
    """A controller that speaks Sparkplug itself is edge node and skid in one: its own metrics are the skid's."""
    topic = "spBv1.0/sedge-2/{}/tf-skid-1"
    bed = Bed().send((topic.format("NBIRTH"), node_birth(0)[1]))
    bed.send((topic.format("NDATA"), payload(1, double("FT-201", 5.0))))
    bed.send((topic.format("NDEATH"), node_death()[1]))
    assert bed.rows() == [(5.0, GOOD)]  # FT-201 was not in the birth, so nothing is known to have fallen silent


def test_what_cannot_be_stored_is_counted():
    """Text is a wrong type, a metric without any time has none, and each costs itself alone."""
    text = {"name": "FT-201", "datatype": DataType.String, "string_value": "x", "timestamp": NOON_MS}
    timeless = {"name": "FT-201", "datatype": DataType.Double, "double_value": 1.0}
    bed = Bed().send(*BORN)
    bed.send((DEVICE.format("DDATA"), payload(2, text, timeless, double("XS-301", 1.0), at_ms=None)))
    assert bed.refused == {"wrong-type": 1, "bad-time": 1}
    assert bed.rows("XS-301") == [(1.0, GOOD)]


def test_another_site_or_skid_costs_no_memory():
    """Unknown groups and devices are counted; nothing is remembered of them, and no rebirth asked for."""
    bed = Bed().send(*((f"spBv1.0/site-{i}/NBIRTH/gw", node_birth()[1]) for i in range(50)))
    bed.send(*BORN, ("spBv1.0/sedge-2/DBIRTH/gw-1/stranger", device_birth(2)[1]))
    assert bed.refused == {"unknown-site": 50 * 1, "unknown-skid": 3}
    assert bed.asked == []
    assert len(bed.sessions._edges) == 1


def test_too_many_edge_nodes_are_not_remembered(monkeypatch):
    """Beyond the limit a node's named values are still stored; its aliases cannot be."""
    monkeypatch.setattr(sessions_module, "MOST_EDGES", 1)
    bed = Bed().send(*BORN)
    bed.send(("spBv1.0/sedge-2/DDATA/gw-2/tf-skid-1", payload(0, double("FT-201", 5.0))))
    bed.send(("spBv1.0/sedge-2/DDATA/gw-2/tf-skid-1", payload(5, double(None, 5.0, alias=1))))
    assert (bed.rows()[-1], bed.refused) == ((5.0, GOOD), {"unknown-alias": 1})


# --- order ---------------------------------------------------------------------------------------


def test_a_gap_is_waited_for():
    """[operational-behavior-host-reordering-start, -success] What is ahead waits; when it fills all is well."""
    bed = Bed().send(*BORN, data(3, 3.0), data(4, 4.0))
    assert numbers(bed) == []
    bed.wait(4.9).send(data(2, 2.0)).wait(100)
    assert (numbers(bed), bed.asked, bed.refused) == ([2.0, 3.0, 4.0], [], {})


def test_a_gap_that_stays_is_answered_by_a_rebirth_request():
    """[operational-behavior-host-reordering-rebirth] What waited is stored, in doubt; births are asked for."""
    bed = Bed().send(*BORN, data(3, 3.0), data(4, 4.0)).wait(5.0)
    assert bed.rows()[1:] == [(3.0, UNCERTAIN), (4.0, UNCERTAIN)]
    assert bed.asked == [GATEWAY]
    bed.send(node_birth(0), device_birth(1), data(2, 9.0))
    assert bed.rows()[-1] == (9.0, GOOD)


def test_what_is_named_is_never_in_doubt():
    """After a gap only aliases can mean something else."""
    bed = Bed().send(*BORN, (DEVICE.format("DDATA"), payload(4, double("FT-201", 4.0)))).wait(5.0)
    assert bed.rows()[-1] == (4.0, GOOD)


def test_rebirths_are_not_asked_for_again_at_once():
    """One request per pause and node, however much comes; another after the pause."""
    bed = Bed(rebirth_pause_s=10.0).send(*(data(i, float(i)) for i in range(1, 50)))
    assert bed.asked == [GATEWAY]
    bed.now += 10.0
    bed.send(data(50, 50.0), data(51, 51.0))
    assert bed.asked == [GATEWAY] * 2


def test_the_sequence_wraps():
    """[payloads-sequence-num-incrementing] After 255 comes 0; a birth may begin anywhere [payloads-nbirth-seq]."""
    bed = Bed().send(node_birth(254), device_birth(255), data(0, 1.0), data(1, 2.0))
    assert (numbers(bed), bed.asked) == ([1.0, 2.0], [])


def test_a_message_from_before_is_stored_too():
    """One that was given up and comes late, or comes twice, loses nothing and disturbs nothing."""
    bed = Bed().send(*BORN, data(3, 3.0)).wait(5.0).send(data(2, 2.0), data(3, 3.0), data(4, 4.0))
    assert numbers(bed) == [3.0, 2.0, 3.0, 4.0]


def test_data_that_overtakes_its_births_waits_for_them():
    """By the payload's time it belongs to the new session; what was held from the old one is worked off first."""
    bed = Bed().send(*BORN, data(5, 3.0))
    early = data(2, 40.0)
    bed.send(node_birth(0, at_ms=NOON_MS + 30_000)).send(early, device_birth(1, NOON_MS + 30_000))
    assert bed.rows()[1] == (3.0, UNCERTAIN)
    assert bed.rows()[-1] == (40.0, GOOD)
    held = Bed().send(*BORN, data(9, 40.0)).send(node_birth(8, at_ms=NOON_MS + 30_000)).wait(5.0)
    assert (held.asked, held.refused) == ([GATEWAY], {"unknown-alias": 1})  # its device has not been born anew


def test_a_new_connection_puts_aliases_in_doubt():
    """While the broker was away births may have passed unheard: values are kept, in doubt, and births asked for."""
    bed = Bed().send(*BORN, data(2, 2.0)).send(data(9, 9.0), connection=2)
    assert bed.rows()[1:] == [(2.0, GOOD), (9.0, UNCERTAIN)]
    assert bed.asked == [GATEWAY]


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 255), st.permutations(range(1, 13)), st.data())
def test_any_order_within_the_window_gives_the_order_sent(start, order, draw):
    """However messages overtake each other, and whichever come twice, each is given once per coming, in order."""
    window = Window(5.0)
    window.restart(start)
    doubled = draw.draw(st.sets(st.sampled_from(list(order))))
    coming = [number for number in order for _ in range(1 + (number in doubled))]
    given_back = [item for n in coming for item in window.put((start + n) % 256, n, 0.0)]
    assert sorted(given_back) == sorted(coming)
    assert len(window) == 0
    firsts = list(dict.fromkeys(given_back))
    assert firsts == sorted(firsts)


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 255), st.permutations(range(1, 13)), st.sets(st.integers(1, 12)))
def test_whatever_is_lost_the_rest_comes_in_order(start, order, lost):
    """With any messages missing, the others all come out by the end of the wait, in order, and none twice."""
    window = Window(5.0)
    window.restart(start)
    given_back = [i for n in order if n not in lost for i in window.put((start + n) % 256, n, 0.0)]
    assert not window.overdue(4.9)
    assert window.overdue(5.0) == bool(len(window))
    given_back += window.give_up()
    assert given_back == sorted(set(range(1, 13)) - lost)


@settings(deadline=None, max_examples=40)
@given(st.permutations(range(20)), st.data())
def test_acknowledgements_keep_the_order_of_receipt(order, draw):
    """[MQTT 5.0, 4.6] Whatever order messages are done in, they are acknowledged as they came, once."""
    messages = [("t", i) for i in range(20)]
    ledger, out, finished = InOrder(), [], set()
    for item in messages:
        ledger.came(item)
    while order:
        count = draw.draw(st.integers(1, len(order)))
        batch, order = order[:count], order[count:]
        finished.update(batch)
        out += ledger.done([messages[i] for i in batch])
        assert [i for _, i in out] == list(range(next((i for i in range(20) if i not in finished), 20)))


def test_what_waits_holds_up_the_acknowledgement():
    """A message in the window, and those after it, are not acknowledged before it is worked off."""
    bed = Bed().send(*BORN, data(3, 3.0), ("spBv1.0/nowhere/NBIRTH/gw", node_birth()[1]))
    assert len(bed.out) == 3
    assert len(bed.acknowledged) == 2
    bed.send(data(2, 2.0))
    assert len(bed.acknowledged) == 5


# --- deaths --------------------------------------------------------------------------------------


def test_a_node_death_silences_all_its_devices():
    """[operational-behavior-edge-node-termination-host-action-ndeath-devices-tags-stale] One null a tag, at receipt."""
    bed = Bed().send(*BORN, data(2, 2.0), node_death(0))
    assert bed.rows()[-1] == (None, BAD_NO_COMMUNICATION)
    last = bed.got.samples.to_pylist()[-3:]
    assert {row["series"] for row in last} == {"tf-skid-1/FT-201", "tf-skid-1/AT-301", "tf-skid-1/PDT-301"}
    assert {row["time"] for row in last} == {row["received"] for row in last}
    bed.send(data(3, 3.0)).wait(5.0)
    assert bed.refused == {"unknown-alias": 1}


def test_the_death_of_an_earlier_session_is_not_this_ones():
    """[payloads-nbirth-bdseq] The will of a connection that was replaced comes late; its bdSeq tells."""
    bed = Bed().send(node_birth(0, bdseq=4), device_birth(1), node_death(3), data(2, 2.0))
    assert bed.rows()[-1] == (2.0, GOOD)
    bed.send(node_death(4))
    assert bed.rows()[-1] == (None, BAD_NO_COMMUNICATION)
    assert bed.send(node_death(4)).rows().count((None, BAD_NO_COMMUNICATION)) == 1


def test_a_device_death_is_the_devices_alone():
    """[payloads-ddeath-seq] It has its place in the sequence and its own time."""
    strange = {**{"ZT-999": 7}, "FT-201": 1}
    death = (DEVICE.format("DDEATH"), payload(2, at_ms=NOON_MS - 5000))
    bed = Bed().send(node_birth(0), device_birth(1, aliases=strange), death, data(3, 3.0)).wait(5.0)
    assert bed.rows() == [(0.0, GOOD), (None, BAD_NO_COMMUNICATION)]
    assert bed.got.samples["time"].to_pylist()[-1].timestamp() == NOON_US / 1e6 - 5
    assert bed.refused == {"unknown-tag": 1, "unknown-alias": 1}
    assert bed.asked == [GATEWAY]


def test_commands_of_others_are_passed_over():
    """NCMD and DCMD, our own too, are nobody's data and nobody's fault."""
    bed = Bed().send((NODE.format("NCMD"), payload(None)), (DEVICE.format("DCMD"), payload(None)))
    assert (len(bed.out), bed.refused, bed.asked) == (2, {}, [])
